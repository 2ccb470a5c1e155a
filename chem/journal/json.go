package journal

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf16"

	"steadybath/chem"
)

// scanner reads the JSON of more. encoding/json is not used because it takes
// what PostgreSQL's jsonb refuses (\u0000, half a surrogate pair, endless
// exponents), folds the case of keys, lets a key stand twice, and takes three
// times as long (BenchmarkMore); a fuzz test holds the two against each other. Errors say what is
// wanted, without a position: the objects are short.
type scanner struct {
	s string
	i int
}

// maxDepth bounds nesting: more has two levels of its own.
const maxDepth = 32

// maxLiteral bounds a number that is only passed on: PostgreSQL's numeric holds
// far more, nobody types as much.
const maxLiteral = 60

var (
	errObject    = errors.New(`not one JSON object such as {"lot":"E7"}`)
	errText      = errors.New(`a text in double quotes is wanted`)
	errNumber    = errors.New(`a number without quotes is wanted, such as 16.35`)
	errNumbers   = errors.New(`a list of numbers is wanted, such as [16.35,16.40]`)
	errFlag      = errors.New(`true or false is wanted`)
	errValue     = errors.New(`not JSON after the colon`)
	errDepth     = errors.New(`nested too deeply`)
	errEscape    = errors.New(`a backslash sequence that JSON does not have`)
	errSurrogate = errors.New(`half of a surrogate pair, which is no character`)
	errNUL       = errors.New(`the character \u0000, which cannot be stored`)
	errLong      = fmt.Errorf("a number longer than %d characters", maxLiteral)
)

func (p *scanner) space() {
	for p.i < len(p.s) && (p.s[p.i] == ' ' || p.s[p.i] == '\t') {
		p.i++
	}
}

// take steps over c, with space before it, where it is next.
func (p *scanner) take(c byte) bool {
	p.space()
	if p.i < len(p.s) && p.s[p.i] == c {
		p.i++
		return true
	}
	return false
}

// next steps to the value of the next key of an object; ok is false after the
// last. The first call opens the object.
func (p *scanner) next(first bool) (key string, ok bool, err error) {
	if first {
		if !p.take('{') {
			return "", false, errObject
		}
		if p.take('}') {
			return "", false, nil
		}
	} else {
		if p.take('}') {
			return "", false, nil
		}
		if !p.take(',') {
			return "", false, errObject
		}
	}
	if key, err = p.text(); err != nil {
		if err == errText {
			err = errObject
		}
		return "", false, err
	}
	if !p.take(':') {
		return "", false, errObject
	}
	return key, true, nil
}

func (p *scanner) end() error {
	p.space()
	if p.i != len(p.s) {
		return errObject
	}
	return nil
}

func (p *scanner) text() (string, error) {
	if !p.take('"') {
		return "", errText
	}
	start := p.i
	for p.i < len(p.s) {
		switch c := p.s[p.i]; {
		case c == '"':
			p.i++
			return p.s[start : p.i-1], nil
		case c == '\\':
			return p.escaped(start)
		case c < ' ':
			return "", errText
		}
		p.i++
	}
	return "", errText
}

func (p *scanner) escaped(start int) (string, error) {
	var b strings.Builder
	b.WriteString(p.s[start:p.i])
	for p.i < len(p.s) {
		c := p.s[p.i]
		p.i++
		switch {
		case c == '"':
			return b.String(), nil
		case c < ' ':
			return "", errText
		case c != '\\':
			b.WriteByte(c)
			continue
		}
		if p.i == len(p.s) {
			return "", errText
		}
		c = p.s[p.i]
		p.i++
		switch c {
		case '"', '\\', '/':
			b.WriteByte(c)
		case 'n':
			b.WriteByte('\n')
		case 't':
			b.WriteByte('\t')
		case 'r':
			b.WriteByte('\r')
		case 'b':
			b.WriteByte('\b')
		case 'f':
			b.WriteByte('\f')
		case 'u':
			r, err := p.unicode()
			if err != nil {
				return "", err
			}
			b.WriteRune(r)
		default:
			return "", errEscape
		}
	}
	return "", errText
}

func (p *scanner) unicode() (rune, error) {
	r, ok := p.hex()
	if !ok {
		return 0, errEscape
	}
	if r == 0 {
		return 0, errNUL
	}
	if !utf16.IsSurrogate(r) {
		return r, nil
	}
	if !strings.HasPrefix(p.s[p.i:], `\u`) {
		return 0, errSurrogate
	}
	p.i += 2
	low, ok := p.hex()
	pair := utf16.DecodeRune(r, low)
	if !ok || pair == '\uFFFD' {
		return 0, errSurrogate
	}
	return pair, nil
}

func (p *scanner) hex() (rune, bool) {
	if len(p.s)-p.i < 4 {
		return 0, false
	}
	var r rune
	for _, c := range []byte(p.s[p.i : p.i+4]) {
		switch {
		case c >= '0' && c <= '9':
			c -= '0'
		case c >= 'a' && c <= 'f':
			c -= 'a' - 10
		case c >= 'A' && c <= 'F':
			c -= 'A' - 10
		default:
			return 0, false
		}
		r = r<<4 | rune(c)
	}
	p.i += 4
	return r, true
}

// literal steps over a number by JSON's grammar.
func (p *scanner) literal() (string, error) {
	p.space()
	start := p.i
	if p.i < len(p.s) && p.s[p.i] == '-' {
		p.i++
	}
	whole := p.i
	if p.digits() == 0 || p.s[whole] == '0' && p.i > whole+1 {
		return "", errNumber
	}
	if p.i < len(p.s) && p.s[p.i] == '.' {
		p.i++
		if p.digits() == 0 {
			return "", errNumber
		}
	}
	if p.i < len(p.s) && (p.s[p.i] == 'e' || p.s[p.i] == 'E') {
		p.i++
		if p.i < len(p.s) && (p.s[p.i] == '+' || p.s[p.i] == '-') {
			p.i++
		}
		switch n := p.digits(); {
		case n == 0:
			return "", errNumber
		case n > 3:
			return "", errLong
		}
	}
	if p.i-start > maxLiteral {
		return "", errLong
	}
	return p.s[start:p.i], nil
}

func (p *scanner) digits() int {
	start := p.i
	for p.i < len(p.s) && p.s[p.i] >= '0' && p.s[p.i] <= '9' {
		p.i++
	}
	return p.i - start
}

func (p *scanner) number() (chem.Decimal, error) {
	s, err := p.literal()
	if err != nil {
		return "", err
	}
	if canonical(s) {
		return chem.Decimal(s), nil
	}
	return chem.ParseDecimal(s)
}

func (p *scanner) numbers() ([]chem.Decimal, error) {
	if !p.take('[') {
		return nil, errNumbers
	}
	if p.take(']') {
		return nil, nil
	}
	var list []chem.Decimal
	for {
		d, err := p.number()
		if err != nil {
			return nil, err
		}
		list = append(list, d)
		if p.take(']') {
			return list, nil
		}
		if !p.take(',') {
			return nil, errNumbers
		}
	}
}

func (p *scanner) flag() (bool, error) {
	switch {
	case p.word("true"):
		return true, nil
	case p.word("false"):
		return false, nil
	}
	return false, errFlag
}

func (p *scanner) word(w string) bool {
	p.space()
	if strings.HasPrefix(p.s[p.i:], w) {
		p.i += len(w)
		return true
	}
	return false
}

// skip steps over any value and checks it on the way.
func (p *scanner) skip(depth int) error {
	if depth > maxDepth {
		return errDepth
	}
	p.space()
	if p.i == len(p.s) {
		return errValue
	}
	switch c := p.s[p.i]; {
	case c == '"':
		_, err := p.text()
		return err
	case c == '{':
		for first := true; ; first = false {
			_, more, err := p.next(first)
			if err != nil || !more {
				return err
			}
			if err := p.skip(depth + 1); err != nil {
				return err
			}
		}
	case c == '[':
		p.i++
		if p.take(']') {
			return nil
		}
		for {
			if err := p.skip(depth + 1); err != nil {
				return err
			}
			if p.take(']') {
				return nil
			}
			if !p.take(',') {
				return errValue
			}
		}
	case c == '-' || c >= '0' && c <= '9':
		_, err := p.literal()
		return err
	case p.word("true"), p.word("false"), p.word("null"):
		return nil
	}
	return errValue
}

// appendText writes a JSON string with no more escapes than JSON and a terminal
// need, so that a recipe stays readable in an export.
func appendText(b []byte, s string) []byte {
	b = append(b, '"')
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c == '"' || c == '\\':
			b = append(b, '\\', c)
		case c == '\n':
			b = append(b, `\n`...)
		case c == '\r':
			b = append(b, `\r`...)
		case c == '\t':
			b = append(b, `\t`...)
		case c < ' ' || c == 0x7f:
			b = fmt.Appendf(b, `\u%04x`, c)
		case c == 0xc2 && i+1 < len(s) && s[i+1] < 0xa0:
			// U+0080 to U+009F, control characters too, in UTF-8.
			i++
			b = fmt.Appendf(b, `\u%04x`, s[i])
		default:
			b = append(b, c)
		}
	}
	return append(b, '"')
}
