package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/recipe"
)

func bathSetCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "set", Usage: "change a window, a rate, a limit or a method from now on", UsageText: "steadybath bath set [KEY VALUE because REASON]",
		Description: describe("Without words: what can be set, and what it is now. What was true before stays so;\na rate may have +- its uncertainty. The whole recipe is checked again first.",
			`steadybath bath set copper.high "56 g/L" because the parts want it brighter`,
			`steadybath bath set prior.evaporation "0.4+-0.1 L/day" because "it has a lid"`),
		Flags: writeFlags(),
		Action: func(c *cli.Context) error {
			if c.Args().Len() == 0 {
				return s.listSettings(c)
			}
			return s.enter(c.Context, c, func(b *bathFile, at time.Time) (chem.Body, error) { return settingBody(c, b.Recipe(at)) })
		},
	}
}

// listSettings prints what can be set and what it is.
func (s *session) listSettings(c *cli.Context) error {
	for _, name := range []string{"note", "force", "id"} {
		if c.String(name) != "" {
			return wrongWords("such as: steadybath bath set copper.high \"56 g/L\" because REASON", "%s belongs to a change, and none was typed", dashed(name))
		}
	}
	b, err := s.bath(c)
	if err != nil {
		return err
	}
	at, err := s.when(c, b.zone, true)
	if err != nil {
		return err
	}
	type line struct {
		Key   string       `json:"key"`
		Value chem.Decimal `json:"value,omitempty"`
		U     chem.Decimal `json:"u,omitempty"`
		Unit  string       `json:"unit,omitempty"`
		Text  string       `json:"text,omitempty"`
	}
	r := b.Recipe(at)
	list := []line{}
	for _, k := range recipe.Keys(r) {
		value, text, err := recipe.Present(r, k.Name)
		if err != nil {
			return err
		}
		list = append(list, line{k.Name, value.Number, value.U, k.Unit, text})
	}
	if c.Bool("json") {
		return s.printJSON(struct {
			Bath     string `json:"bath"`
			Settings []line `json:"settings"`
		}{b.Name, list})
	}
	for _, l := range list {
		value := l.Text
		if l.Value.Given() {
			value = string(l.Value)
			if l.U.Given() {
				value += " ± " + string(l.U)
			}
			value = strings.TrimSpace(value + " " + l.Unit)
		}
		if err := say(s.stdout, "%s", strings.TrimRight(fmt.Sprintf("%-48s %s", l.Key, value), " ")); err != nil {
			return err
		}
	}
	return nil
}

// settingBody reads a key, which may be several words, what it becomes, and
// why.
func settingBody(c *cli.Context, r *chem.Recipe) (chem.Body, error) {
	words := c.Args().Slice()
	names := settingNames(r)
	n := 0
	for i := len(words); i > 0 && n == 0; i-- {
		if _, ok := names[strings.ToLower(strings.Join(words[:i], " "))]; ok {
			n = i
		}
	}
	if n == 0 {
		return nil, unknownSetting(r, words)
	}
	key := names[strings.ToLower(strings.Join(words[:n], " "))]
	value, why := words[n:], ""
	if i := slices.IndexFunc(value, func(w string) bool { return strings.EqualFold(w, "because") }); i >= 0 {
		value, why = value[:i], strings.Join(value[i+1:], " ")
	}
	body := chem.Setting{Key: key.Name}
	typed := strings.Join(value, " ")
	now, text, err := recipe.Present(r, key.Name)
	if err != nil {
		return nil, wrongWords("", "%v", err)
	}
	such := fmt.Sprintf("such as: steadybath bath set %s %s because REASON", quoted(key.Name), quoted(strings.TrimSpace(now.String()+text)))
	switch {
	case typed == "":
		return nil, wrongWords(such, "what %s becomes is missing", key.Name)
	case key.Text:
		body.Text = typed
	default:
		if body.Value, err = settingValue(key, typed); err != nil {
			return nil, err
		}
	}
	reason := strings.TrimSpace(why + " " + c.String("note"))
	if reason == "" {
		return nil, wrongWords(fmt.Sprintf("such as: steadybath bath set %s %s because the supplier says so", quoted(key.Name), quoted(typed)), "the reason is missing")
	}
	if err := c.Set("note", reason); err != nil {
		return nil, err
	}
	if same(body, now, text) {
		return nil, refused("steadybath bath set shows what can be set", "%s is %s already", key.Name, typed)
	}
	if _, err := recipe.Apply(r, body); err != nil {
		return nil, refused("steadybath bath set shows what can be set, and what it is now", "%v", err)
	}
	return body, nil
}

// settingNames are the keys as they may be typed: a method also by its
// constituent, which means the first one for it.
func settingNames(r *chem.Recipe) map[string]recipe.Key {
	names := map[string]recipe.Key{}
	keys := recipe.Keys(r)
	for _, k := range keys {
		names[strings.ToLower(k.Name)] = k
	}
	for _, m := range r.Methods {
		for _, k := range keys {
			tail, ok := strings.CutPrefix(k.Name, "method."+m.Name+".")
			alias := strings.ToLower("method." + m.Constituent + "." + tail)
			if _, taken := names[alias]; ok && !taken {
				names[alias] = k
			}
		}
	}
	return names
}

// unknownSetting answers a key that is none: with the nearest, or with why it
// cannot be set.
func unknownSetting(r *chem.Recipe, words []string) error {
	n := 0
	for n < len(words) && !startsNumber(words[n]) && !strings.EqualFold(words[n], "because") {
		n++
	}
	try := func(n int) error {
		_, err := recipe.Apply(r, chem.Setting{Key: strings.Join(words[:n], " "), Value: chem.Measured{Number: "1"}})
		return err
	}
	err := try(max(n, 1))
	for i := 1; i < n; i++ {
		// A text may follow a key that is known and cannot be set.
		if why := try(i); why != nil && !strings.HasPrefix(why.Error(), "unknown key") {
			err = why
			break
		}
	}
	if err == nil {
		err = fmt.Errorf("%q cannot be set", words[0])
	}
	what, hint, ok := strings.Cut(err.Error(), "; ")
	if !ok {
		hint = "steadybath bath set shows what can be set"
	}
	return refused(hint, "%s", what)
}

// settingValue reads the number of a key in any unit that fits its own.
func settingValue(key recipe.Key, typed string) (chem.Measured, error) {
	var dims []chem.Dimension
	unit, err := chem.ParseUnit(key.Unit)
	if err == nil {
		dims = []chem.Dimension{unit.Dimension()}
	}
	m, err := chem.ParseMeasured(typed, dims...)
	if err != nil {
		return m, wrongWords("", "%s: %v", key.Name, err)
	}
	return m, nil
}

// same tells whether a setting would change nothing.
func same(body chem.Setting, now chem.Measured, text string) bool {
	if !body.Value.Given() {
		return body.Text == text
	}
	if unit, err := chem.ParseUnit(string(now.Unit)); err != nil || unit != body.Value.Unit {
		return false
	}
	return body.Value.Number.Float() == now.Number.Float() && (!body.Value.U.Given() || body.Value.U.Float() == now.U.Float())
}
