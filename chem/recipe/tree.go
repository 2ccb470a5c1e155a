package recipe

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"sort"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2/unstable"
)

// shape is what a node of a file is.
type shape int

const (
	isTable shape = iota
	isTables
	isList
	isText
	isNumber
	isBool
	isTime
	isBroken // its line could not be read; the fault is recorded already
)

var shapeNames = map[shape]string{isTable: "a table", isTables: "a list of tables", isList: "a list", isText: "text",
	isNumber: "a number", isBool: "true or false", isTime: "a date or a time", isBroken: "unreadable"}

// node is one value of a file with the line it stands on.
type node struct {
	shape   shape
	line    int
	text    string // decoded text, or digits as typed
	list    []*node
	keys    []string // of a table, in the order of the file
	table   map[string]*node
	comment string // at the end of the line, without the mark
	header  bool   // a table that a header has opened
	closed  bool   // an inline table: nothing may be added to it
}

func newTable(line int) *node { return &node{shape: isTable, line: line, table: map[string]*node{}} }

func (n *node) put(key string, child *node) {
	n.keys = append(n.keys, key)
	n.table[key] = child
}

const (
	mostBytes   = 1 << 20 // a recipe is some pages long; more is another file
	mostSlips   = 20      // lines that cannot be read at all before reading stops
	mostNesting = 8       // tables and lists inside each other; a recipe needs three
)

// byteOrderMark is what some editors put before UTF-8 text.
var byteOrderMark = []byte("\ufeff")

// grow reads the file into a tree. Lines that cannot be read are named and, where
// they stand alone, stepped over, so that the rest is judged too; whole tells
// whether that was possible.
func grow(text []byte) (root *node, faults []Fault, whole bool) {
	if len(text) > mostBytes {
		return nil, []Fault{{1, fmt.Sprintf("the file has %d bytes; a recipe has at most %d", len(text), mostBytes)}}, false
	}
	text = bytes.TrimPrefix(text, byteOrderMark)
	if bytes.HasPrefix(text, []byte{0xff, 0xfe}) || bytes.HasPrefix(text, []byte{0xfe, 0xff}) {
		return nil, []Fault{{1, "the file is UTF-16 text; save it as UTF-8"}}, false
	}
	if i := invalidUTF8(text); i >= 0 {
		return nil, []Fault{{1 + bytes.Count(text[:i], []byte("\n")), "a letter is not UTF-8; save the file as UTF-8"}}, false
	}
	broken := map[int]bool{}
	for {
		g := newGrower(text, broken)
		offset, message, ok := g.run()
		if ok {
			return g.root, append(faults, g.faults...), true
		}
		line := g.lineAt(offset)
		start, end := g.span(line)
		typed := string(text[start:end])
		faults = append(faults, Fault{line, explain(strings.TrimSpace(typed), message)})
		if len(faults) >= mostSlips || !standsAlone(text[:start]) {
			return nil, faults, false
		}
		// The key stays, with a value that counts as broken: a missing key would
		// be a second fault about the same slip.
		stand := ""
		if m := keyStart.FindStringSubmatch(typed); m != nil {
			stand = m[1] + " = 0"
			if broken[line] {
				stand = "" // the key itself cannot be read
			}
		} else if strings.HasPrefix(strings.TrimSpace(typed), "[") {
			return nil, faults, false // whose table the next keys belong to is lost
		}
		broken[line] = true
		text = bytes.Join([][]byte{text[:start], []byte(stand), text[end:]}, nil)
	}
}

var keyStart = regexp.MustCompile(`^\s*([A-Za-z0-9_-]+)\s*=`)

func invalidUTF8(b []byte) int {
	for i := 0; i < len(b); {
		r, size := utf8.DecodeRune(b[i:])
		if r == utf8.RuneError && size == 1 {
			return i
		}
		i += size
	}
	return -1
}

// standsAlone tells whether the file is complete up to here, so that the line
// after it is a statement of its own.
func standsAlone(before []byte) bool {
	var p unstable.Parser
	p.Reset(before)
	for p.NextExpression() {
	}
	return p.Error() == nil
}

var (
	decimalComma = regexp.MustCompile(`^=\s*[-+]?(\d+),(\d+)\s*$`)
	withUnit     = regexp.MustCompile(`^=\s*([-+]?\d[\d_.]*)\s*([A-Za-z%µ°].*)$`)
	bareWord     = regexp.MustCompile(`^=\s*([A-Za-zÀ-ÿ].*?)\s*$`)
	barePoint    = regexp.MustCompile(`[=\s\[,{]([-+]?(?:\.\d+|\d+\.))(?:[^\d]|$)`)
)

// explain says what is wrong with a line that is no TOML, in the words of
// somebody who edits a recipe.
func explain(line, message string) string {
	shown := clip(line)
	message = clip(message)
	if !keyStart.MatchString(line) {
		return fmt.Sprintf("%q cannot be read: %s; a line is key = value, [table] or # comment", shown, message)
	}
	key, value, _ := strings.Cut(line, "=")
	key, value = clip(strings.TrimSpace(key)), "="+value
	if strings.ContainsAny(value, `"'`) {
		return fmt.Sprintf("%q cannot be read: %s", shown, message)
	}
	value, _, _ = strings.Cut(value, "#")
	if m := barePoint.FindStringSubmatch(value); m != nil {
		full := m[1] + "0"
		if strings.HasPrefix(strings.TrimLeft(m[1], "+-"), ".") {
			full = strings.Replace(m[1], ".", "0.", 1)
		}
		return fmt.Sprintf("%s: %s needs a digit on each side of the point; write %s", key, m[1], full)
	}
	if m := withUnit.FindStringSubmatch(value); m != nil {
		return fmt.Sprintf("%s: write the number alone, %s = %s; its unit is fixed or given by unit", key, key, m[1])
	}
	if m := decimalComma.FindStringSubmatch(value); m != nil {
		return fmt.Sprintf("%s has a decimal comma; write %s.%s", key, m[1], m[2])
	}
	if m := bareWord.FindStringSubmatch(value); m != nil {
		return fmt.Sprintf("%s: text stands in quotation marks, %s = %q", key, key, clip(m[1]))
	}
	return fmt.Sprintf("%q cannot be read: %s", shown, message)
}

// grower builds a tree from the parser's expressions.
type grower struct {
	parser unstable.Parser
	starts []int // offset of each line
	root   *node
	at     *node // the table that keys go to
	broken map[int]bool
	faults []Fault
}

func newGrower(text []byte, broken map[int]bool) *grower {
	g := &grower{root: newTable(1), broken: broken, starts: []int{0}}
	g.root.header = true
	g.at = g.root
	for i, b := range text {
		if b == '\n' {
			g.starts = append(g.starts, i+1)
		}
	}
	g.parser.KeepComments = true
	g.parser.Reset(text)
	return g
}

func (g *grower) lineAt(offset int) int {
	return sort.Search(len(g.starts), func(i int) bool { return g.starts[i] > offset })
}

func (g *grower) span(line int) (start, end int) {
	data := g.parser.Data()
	start, end = g.starts[line-1], len(data)
	if line < len(g.starts) {
		end = g.starts[line] - 1
	}
	if end > start && data[end-1] == '\r' {
		end--
	}
	return start, end
}

func (g *grower) fault(line int, format string, args ...any) {
	g.faults = append(g.faults, Fault{line, fmt.Sprintf(format, args...)})
}

// run reads all expressions; where one cannot be read it tells where and why.
func (g *grower) run() (offset int, message string, ok bool) {
	for g.parser.NextExpression() {
		e := g.parser.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			g.open(e)
		case unstable.KeyValue:
			comment := ""
			if next := e.Next(); next.Valid() && next.Kind == unstable.Comment {
				comment = strings.TrimSpace(strings.TrimPrefix(string(next.Data), "#"))
			}
			g.set(g.at, e, comment, 1)
		}
	}
	err := g.parser.Error()
	if err == nil {
		return 0, "", true
	}
	var slip *unstable.ParserError
	data := g.parser.Data()
	if errors.As(err, &slip) {
		// A subslice shares its array, so what is left of the capacity tells where it begins.
		offset = max(0, min(cap(data)-cap(slip.Highlight), len(data)-1))
	}
	return offset, err.Error(), false
}

type keyPart struct {
	name string
	line int
}

func (g *grower) parts(it unstable.Iterator) []keyPart {
	var out []keyPart
	for it.Next() {
		n := it.Node()
		out = append(out, keyPart{string(n.Data), g.lineAt(int(n.Raw.Offset))})
	}
	return out
}

func dotted(parts []keyPart) string {
	names := make([]string, len(parts))
	for i, p := range parts {
		names[i] = p.name
	}
	return clip(strings.Join(names, "."))
}

// open follows a header to the table that the next keys belong to. After a
// header that cannot stand, keys go to a table of no consequence.
func (g *grower) open(e *unstable.Node) {
	parts := g.parts(e.Key())
	line := parts[0].line
	g.at = newTable(line)
	if len(parts) > mostNesting {
		g.fault(line, "%s is nested more than %d deep", dotted(parts), mostNesting)
		return
	}
	t := g.root
	for i, p := range parts {
		last := i == len(parts)-1
		child, ok := t.table[p.name]
		switch {
		case !ok && last && e.Kind == unstable.ArrayTable:
			child = &node{shape: isTables, line: line}
			t.put(p.name, child)
		case !ok:
			child = newTable(line)
			t.put(p.name, child)
		case last && (child.shape == isTables) != (e.Kind == unstable.ArrayTable):
			g.fault(line, "%s is %s since line %d, and cannot be opened as something else here", dotted(parts), shapeNames[child.shape], child.line)
			return
		case last && child.shape == isTable && (child.header || child.closed):
			g.fault(line, "[%s] is given twice, first on line %d", dotted(parts), child.line)
			return
		case child.shape != isTable && child.shape != isTables || child.closed:
			g.fault(line, "%s is %s since line %d, not a table", dotted(parts[:i+1]), shapeNames[child.shape], child.line)
			return
		}
		if child.shape == isTables {
			if last {
				child.list = append(child.list, newTable(line))
			}
			child = child.list[len(child.list)-1]
		}
		if last {
			child.header = true
		}
		t = child
	}
	g.at = t
}

// set puts a key's value into the table t.
func (g *grower) set(t *node, e *unstable.Node, comment string, depth int) {
	parts := g.parts(e.Key())
	line := parts[0].line
	if len(parts) > mostNesting {
		g.fault(line, "%s is nested more than %d deep", dotted(parts), mostNesting)
		return
	}
	for _, p := range parts[:len(parts)-1] {
		child, ok := t.table[p.name]
		if !ok {
			child = newTable(line)
			t.put(p.name, child)
		}
		if child.shape != isTable || child.closed {
			g.fault(line, "%s: %s is %s since line %d", dotted(parts), clip(p.name), shapeNames[child.shape], child.line)
			return
		}
		t = child
	}
	name := parts[len(parts)-1].name
	if old, ok := t.table[name]; ok {
		g.fault(line, "%s is given twice, first on line %d", dotted(parts), old.line)
		return
	}
	child := g.value(e.Value(), line, depth)
	if g.broken[line] {
		child = &node{shape: isBroken, line: line}
	}
	child.comment = comment
	t.put(name, child)
}

func (g *grower) value(v *unstable.Node, line, depth int) *node {
	n := &node{line: line, text: string(v.Data)}
	if depth > mostNesting {
		n.shape = isBroken
		g.fault(line, "lists and tables are nested more than %d deep", mostNesting)
		return n
	}
	switch v.Kind {
	case unstable.String:
		n.shape = isText
	case unstable.Bool:
		n.shape = isBool
	case unstable.Integer, unstable.Float:
		n.shape = isNumber
	case unstable.Array:
		n.shape = isList
		for it := v.Children(); it.Next(); {
			if c := it.Node(); c.Kind != unstable.Comment {
				n.list = append(n.list, g.value(c, line, depth+1))
			}
		}
	case unstable.InlineTable:
		n.shape, n.table = isTable, map[string]*node{}
		for it := v.Children(); it.Next(); {
			if c := it.Node(); c.Kind == unstable.KeyValue {
				g.set(n, c, "", depth+1)
			}
		}
		n.closed = true
	default:
		n.shape = isTime
	}
	return n
}
