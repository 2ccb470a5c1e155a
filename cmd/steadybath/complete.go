package main

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/journal"
	"steadybath/chem/recipe"
	"steadybath/db"
	"steadybath/db/cluster"
)

// completeWord begins a call from a completion script: steadybath complete
// SHELL WORD..., with everything that was typed after the name of the program
// and the word at the cursor last. It is no command of the tree, because the
// words behind it are half typed and must not be arranged or judged.
const completeWord = "complete"

// lookWithin bounds what a press of the tab key waits for a database.
const lookWithin = time.Second

// filesLine asks the shell for names of files.
const filesLine = "\tfiles\n"

// complete prints what could be typed next, a line each: the word, and for
// shells that show it what it means, after a tab. A line of a tab and "files"
// asks the shell for names of files. It starts no server, and whatever goes
// wrong it prints nothing more and succeeds.
func complete(ctx context.Context, s *session, args []string) int {
	if len(args) < 2 {
		return statusDone
	}
	shell, words := args[0], args[1:]
	ctx, cancel := context.WithTimeout(ctx, lookWithin)
	defer cancel()
	show := func(o offer) string { return o.word + "\t" + o.what }
	switch shell {
	case "bash":
		if redirects(words) {
			_, _ = fmt.Fprint(s.stdout, filesLine)
			return statusDone
		}
		var typed bashWord
		words, typed = bashWords(words)
		show = func(o offer) string { return typed.reply(o.word) }
	case "fish":
		words[len(words)-1] = unquote(words[len(words)-1])
	}
	k := &completion{s: s, ctx: ctx, app: newApp(s)}
	defer k.close()
	k.find(words[:len(words)-1], words[len(words)-1])
	var out strings.Builder
	for _, o := range k.offers {
		// A name with a line break in it cannot be offered as a line.
		if !strings.ContainsFunc(o.word, unicode.IsControl) {
			out.WriteString(show(o) + "\n")
		}
	}
	if k.files {
		out.WriteString(filesLine)
	}
	_, _ = fmt.Fprint(s.stdout, out.String())
	return statusDone
}

// offer is a word that could come next.
type offer struct{ word, what string }

// completion finds out what could come next.
type completion struct {
	s   *session
	ctx context.Context
	app *cli.App

	cur    string // the word at the cursor
	offers []offer
	files  bool

	path     []string // the command reached
	words    []string // its words so far
	bath     string   // as --bath says
	database string   // as --database says
	read     *bathWords
	store    *db.Store
}

func (k *completion) close() {
	if k.store != nil {
		k.store.Close()
	}
}

// add offers a word that begins as what was typed does; head stands before it
// as it was typed.
func (k *completion) add(head, word, what string) {
	whole := head + word
	if len(whole) < len(k.cur) || !strings.EqualFold(whole[:len(k.cur)], k.cur) {
		return
	}
	if !slices.ContainsFunc(k.offers, func(o offer) bool { return o.word == whole }) {
		k.offers = append(k.offers, offer{whole, what})
	}
}

// find walks what was typed before the cursor as arrange does, and offers what
// could stand at it.
func (k *completion) find(before []string, cur string) {
	k.cur = cur
	commands, flags := k.app.Commands, k.app.Flags
	var leaf *cli.Command
	var waiting cli.Flag // for its value
	given := map[string]bool{}
	only := false // words, after --
	for _, w := range before {
		name, value, isFlag := asFlag(w)
		switch {
		case waiting != nil:
			k.note(waiting, w)
			waiting = nil
		case only:
			k.words = append(k.words, w)
		case w == "--":
			only = true
		case isFlag:
			f := findFlag(k.app, name)
			if f == nil {
				continue
			}
			given[f.Names()[0]] = true
			if takesValue(f) && strings.Contains(w, "=") {
				k.note(f, value)
			} else if takesValue(f) {
				waiting = f
			}
		default:
			if c := findCommand(commands, w); c != nil && len(k.words) == 0 {
				k.path, leaf, commands, flags = append(k.path, c.Name), c, c.Subcommands, c.Flags
				continue
			}
			k.words = append(k.words, w)
		}
	}
	switch {
	case waiting != nil:
		k.value(waiting, "")
	case strings.HasPrefix(cur, "-") && !only:
		if name, _, ok := strings.Cut(cur, "="); ok {
			if f := findFlag(k.app, strings.TrimLeft(name, "-")); f != nil && takesValue(f) {
				k.value(f, name+"=")
			}
			return
		}
		for _, f := range flags {
			if _, many := f.(*cli.StringSliceFlag); !given[f.Names()[0]] || many {
				_, what := flagWords(f)
				k.add("", dashed(f.Names()[0]), what)
			}
		}
		k.add("", "--help", "how it is typed, with examples")
		if leaf == nil {
			k.add("", "--version", "print the version")
		}
	case leaf == nil || len(leaf.Subcommands) > 0:
		if len(k.words) > 0 {
			return
		}
		for _, c := range commands {
			if !c.Hidden {
				k.add("", c.Name, c.Usage)
			}
		}
	default:
		k.slots(leaf)
	}
}

// note keeps the values of flags that say whose names are wanted.
func (k *completion) note(f cli.Flag, value string) {
	switch f.Names()[0] {
	case "bath":
		k.bath = value
	case "database":
		k.database = value
	}
}

// wordList is a list of words at the end of what a flag is for: "metric or us".
var wordList = regexp.MustCompile(`: ([a-z-]+(?:, [a-z-]+)* or [a-z-]+)$`)

// value offers what a flag may be given, behind head.
func (k *completion) value(f cli.Flag, head string) {
	name, usage := f.Names()[0], f.(cli.DocGenerationFlag).GetUsage()
	_, placeholder, _ := strings.Cut(usage, "`")
	placeholder, _, _ = strings.Cut(placeholder, "`")
	if m := wordList.FindStringSubmatch(strings.ReplaceAll(usage, "`", "")); m != nil {
		for _, w := range strings.Split(strings.ReplaceAll(m[1], " or ", ", "), ", ") {
			k.add(head, w, "")
		}
		return
	}
	switch name {
	case "method":
		placeholder = "METHOD"
	case "recipe":
		placeholder = "RECIPE"
	}
	names, files := k.named(strings.Trim(placeholder, `"`))
	for _, n := range names {
		k.add(head, n.word, n.what)
	}
	k.files = k.files || files
}

// slot is one word of a command's usage: what may stand there.
type slot struct {
	words []string // as they are
	names []string // placeholders
	many  bool     // and again
}

// slotsOf reads the words after a command from its usage, such as
// "CONSTITUENT DELIVERED..." or "[KEY VALUE because REASON]".
func slotsOf(path []string, c *cli.Command) []slot {
	text := strings.TrimPrefix(strings.TrimSpace(c.UsageText), "steadybath "+strings.Join(path, " "))
	for _, end := range []string{" --", " [--", " | "} {
		text, _, _ = strings.Cut(text, end)
	}
	var out []slot
	for _, word := range strings.Fields(strings.NewReplacer("[", "", "]", "").Replace(text)) {
		word, many := strings.CutSuffix(word, "...")
		s := slot{many: many}
		for _, one := range strings.Split(word, "|") {
			switch {
			case !strings.ContainsFunc(one, unicode.IsLetter):
			case strings.ContainsFunc(one, unicode.IsLower):
				s.words = append(s.words, one)
			default:
				s.names = append(s.names, one)
			}
		}
		out = append(out, s)
	}
	return out
}

// slots offers what may stand at the cursor as a word of the command.
func (k *completion) slots(c *cli.Command) {
	rest := k.words
	for _, s := range slotsOf(k.path, c) {
		var have []offer
		for _, w := range s.words {
			have = append(have, offer{w, ""})
		}
		files := false
		for _, n := range s.names {
			more, also := k.named(n)
			have, files = append(have, more...), files || also
		}
		if len(rest) == 0 {
			for _, o := range have {
				k.add("", o.word, o.what)
			}
			k.files = k.files || files
			return
		}
		// A name of several words may be typed without quotes.
		typed, taken := strings.Join(rest, " "), 0
		for _, o := range have {
			if after, ok := cutFold(o.word, typed+" "); ok {
				next, _, _ := strings.Cut(after, " ")
				k.add("", next, o.what)
			}
			for n := len(rest); n > taken; n-- {
				if strings.EqualFold(o.word, strings.Join(rest[:n], " ")) {
					taken = n
				}
			}
		}
		if taken == 0 && (len(k.offers) > 0 || s.many) {
			return
		}
		rest = rest[max(taken, 1):]
	}
}

func cutFold(s, prefix string) (after string, ok bool) {
	if len(s) < len(prefix) || !strings.EqualFold(s[:len(prefix)], prefix) {
		return "", false
	}
	return s[len(prefix):], true
}

// named lists what a placeholder of the help stands for, and whether it is a
// file.
func (k *completion) named(placeholder string) (list []offer, files bool) {
	first, _, _ := strings.Cut(placeholder, " ")
	first, amount, equals := strings.Cut(first, "=")
	plain := func(names []string) (out []offer) {
		for _, n := range names {
			out = append(out, offer{n, ""})
		}
		return out
	}
	top := append(k.path, "")[0]
	switch first {
	case "FILE", "RECIPE":
		if first == "RECIPE" || top == "recipe" {
			list = plain(recipe.Shipped())
		}
		return list, true
	case "NAME":
		switch {
		case top == "recipe":
			return plain(recipe.Shipped()), true
		case top == "anode" && k.path[len(k.path)-1] == "hang":
			return plain(k.bathWords().down), false
		case top == "anode":
			return plain(k.bathWords().hung), false
		case top == "titrant":
			return plain(k.bathWords().titrants), false
		case top == "material":
			return plain(k.bathWords().materials), false
		}
	case "KIND":
		for _, kind := range chem.Kinds() {
			list = append(list, offer{string(kind), ""})
		}
	case "ZONE":
		return plain([]string{machineZone(k.s.env)}), false
	case "BATH":
		return plain(k.bathWords().baths), false
	case "CONSTITUENT":
		list = plain(k.bathWords().constituents)
		if equals && amount != "" {
			for i := range list {
				list[i].word += "="
			}
		}
	case "ORGANIC":
		return plain(k.bathWords().organics), false
	case "MATERIAL":
		return plain(k.bathWords().materials), false
	case "TITRANT":
		return plain(k.bathWords().titrants), false
	case "ANODE":
		return plain(k.bathWords().hung), false
	case "SUPPLY":
		return plain(k.bathWords().supplies), false
	case "KEY":
		return plain(k.bathWords().keys), false
	case "METHOD":
		for _, m := range k.bathWords().methods {
			if _, of := cutFold(strings.Join(k.words, " ")+" ", m.what+" "); of || len(k.words) == 0 {
				list = append(list, m)
			}
		}
	case "LOT":
		switch top {
		case "titrate":
			return plain(k.bathWords().titrantLots), false
		case "add":
			return plain(k.bathWords().stockLots), false
		}
	case "SUBJECT":
		w := k.bathWords()
		return plain(slices.Concat(w.constituents, w.materials, w.hung, w.down, w.supplies)), false
	}
	return list, false
}

// bathWords are the names that the records know.
type bathWords struct {
	baths, constituents, organics, materials, titrants, supplies, keys []string
	hung, down                                                         []string // anodes that hang, and that hung once
	titrantLots, stockLots                                             []string
	methods                                                            []offer // with their constituent
}

// bathWords reads the names of the bath that is meant, or of all where it is
// not said which, and of the shop. It finds none where the records cannot be
// read at once.
func (k *completion) bathWords() *bathWords {
	if k.read != nil {
		return k.read
	}
	k.read = &bathWords{}
	url := k.database
	if url == "" {
		url = k.s.env("STEADYBATH_DATABASE")
	}
	var err error
	if k.store, err = db.Look(k.ctx, db.Options{URL: url, Cluster: cluster.Config{Env: k.s.env}}); err != nil {
		return k.read
	}
	all, err := k.store.Baths(k.ctx)
	if err != nil {
		return k.read
	}
	meant := slices.ContainsFunc(all, func(b db.Bath) bool { return b.Name != "" && strings.EqualFold(b.Name, k.bath) })
	for _, b := range all {
		if b.Name != "" {
			k.read.baths = append(k.read.baths, b.Name)
		}
		if b.Name == "" || !meant || strings.EqualFold(b.Name, k.bath) {
			k.read.take(k.factsOf(b.Name))
		}
	}
	return k.read
}

// factsOf reads the standing facts of a bath that bring names.
func (k *completion) factsOf(bath string) []chem.Fact {
	rows, err := k.store.RowsOfKinds(k.ctx, bath, string(chem.KindBath), string(chem.KindHang), string(chem.KindPull), string(chem.KindMeter),
		string(chem.KindTitrant), string(chem.KindMaterial), string(chem.KindVoid))
	if err != nil {
		return nil
	}
	facts := make([]chem.Fact, 0, len(rows))
	for _, r := range rows {
		if f, err := journal.Decode(r); err == nil {
			facts = append(facts, f)
		}
	}
	return chem.Standing(facts)
}

func (w *bathWords) take(facts []chem.Fact) {
	keep := func(list *[]string, name string) {
		if name != "" && !slices.Contains(*list, name) {
			*list = append(*list, name)
		}
	}
	drop := func(list *[]string, name string) {
		*list = slices.DeleteFunc(*list, func(n string) bool { return strings.EqualFold(n, name) })
	}
	for _, f := range facts {
		switch b := f.Body.(type) {
		case chem.Begin:
			r, err := recipe.Parse("", []byte(b.Recipe))
			if err != nil {
				continue
			}
			for _, c := range r.Constituents {
				keep(&w.constituents, c.Name)
				if c.Role == chem.RoleOrganic {
					keep(&w.organics, c.Name)
				}
			}
			for _, m := range r.Materials {
				keep(&w.materials, m.Name)
			}
			for _, key := range recipe.Keys(r) {
				keep(&w.keys, key.Name)
			}
			for _, m := range r.Methods {
				if m.Titrant != "" {
					keep(&w.titrants, m.Titrant)
					w.methods = append(w.methods, offer{m.Name, m.Constituent})
				}
			}
		case chem.Hang:
			drop(&w.down, b.Anode)
			keep(&w.hung, b.Anode)
		case chem.Pull:
			for _, name := range slices.Clone(w.hung) {
				if strings.EqualFold(b.Anode, chem.AllAnodes) || strings.EqualFold(b.Anode, name) {
					drop(&w.hung, name)
					keep(&w.down, name)
				}
			}
		case chem.Meter:
			keep(&w.supplies, b.Supply)
		case chem.Titrant:
			keep(&w.titrants, b.Name)
			keep(&w.titrantLots, b.Lot)
		case chem.Stock:
			keep(&w.materials, b.Material)
			keep(&w.stockLots, b.Lot)
		}
	}
}
