package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestArrange(t *testing.T) {
	for name, c := range map[string]struct{ typed, want []string }{
		"nothing":                       {nil, nil},
		"WordsOnly":                     {[]string{"level", "58.2L"}, []string{"level", "--", "58.2L"}},
		"FlagAfterTheWord":              {[]string{"level", "58.2L", "--bath", "a"}, []string{"level", "--bath=a", "--", "58.2L"}},
		"FlagBeforeTheCommand":          {[]string{"--bath", "a", "level", "58.2L"}, []string{"level", "--bath=a", "--", "58.2L"}},
		"FlagBetweenWords":              {[]string{"titrate", "--lot", "E7", "copper", "--json", "16mL"}, []string{"titrate", "--lot=E7", "--json", "--", "copper", "16mL"}},
		"FlagWithinThePath":             {[]string{"anode", "--at=now", "hang", "slab-a"}, []string{"anode", "hang", "--at=now", "--", "slab-a"}},
		"NegativeNumberIsAWord":         {[]string{"titrate", "copper", "-0.5mL"}, []string{"titrate", "--", "copper", "-0.5mL"}},
		"NegativeWithoutZeroIsAWord":    {[]string{"level", "-.5L"}, []string{"level", "--", "-.5L"}},
		"NegativeValueOfAFlag":          {[]string{"level", "58L", "--u", "-0.5"}, []string{"level", "--u=-0.5", "--", "58L"}},
		"DashIsAWord":                   {[]string{"import", "-"}, []string{"import", "--", "-"}},
		"DashIsAValue":                  {[]string{"chart", "--output", "-"}, []string{"chart", "--output=-"}},
		"AfterTwoDashesAllAreWords":     {[]string{"note", "--json", "--", "--bath", "-x", "level"}, []string{"note", "--json", "--", "--bath", "-x", "level"}},
		"CommandWordsAfterOthers":       {[]string{"note", "level", "bath", "new"}, []string{"note", "--", "level", "bath", "new"}},
		"WordsThatTheLibraryKnows":      {[]string{"titrate", "h"}, []string{"titrate", "--", "h"}},
		"ValueWithEquals":               {[]string{"dose", "--target", "copper=52"}, []string{"dose", "--target=copper=52"}},
		"ValueLikeAFlagAfterEquals":     {[]string{"state", "--bath=--json"}, []string{"state", "--bath=--json"}},
		"ValueLikeAnUnknownFlag":        {[]string{"state", "--bath", "--tank--"}, []string{"state", "--bath=--tank--"}},
		"ManyValues":                    {[]string{"fill", "--with", "a 1 g/L", "58L", "--with", "b 2 g/L"}, []string{"fill", "--with=a 1 g/L", "--with=b 2 g/L", "--", "58L"}},
		"Alias":                         {[]string{"chart", "-o", "x.html"}, []string{"chart", "-o=x.html"}},
		"OneDashIsTakenForTwo":          {[]string{"state", "-json"}, []string{"state", "-json"}},
		"BoolTwiceSaysTheSame":          {[]string{"state", "--json", "--json"}, []string{"state", "--json", "--json"}},
		"HelpOfAGroup":                  {[]string{"anode", "--help"}, []string{"anode", "--help"}},
		"HelpBehindAllElse":             {[]string{"level", "58.2L", "--at", "now", "-h"}, []string{"level", "--help"}},
		"HelpBeforeTheCommand":          {[]string{"--help", "level"}, []string{"level", "--help"}},
		"MinusSignOfTypesettersIsAWord": {[]string{"level", "−3L"}, []string{"level", "--", "−3L"}},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := arrange(testApp(), c.typed)
			require.NoError(t, err)
			assert.Equal(t, c.want, got)
		})
	}
}

func TestArrangeRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		typed      []string
		what, hint string
	}{
		"UnknownCommand":        {[]string{"leve", "58L"}, `no command "leve"`, "steadybath level"},
		"UnknownCommandFarOff":  {[]string{"xyzzy"}, `no command "xyzzy"`, "--help"},
		"HelpAsACommand":        {[]string{"help", "level"}, `no command "help"`, "COMMAND --help"},
		"UnknownSubcommand":     {[]string{"anode", "hangg"}, `no command "anode hangg"`, "steadybath anode hang"},
		"UnknownSubFarOff":      {[]string{"anode", "xyzzy"}, `no command "anode xyzzy"`, "hang, top-up, weigh, pull"},
		"GroupAlone":            {[]string{"anode"}, "anode what?", "steadybath anode --help"},
		"GroupWithAFlag":        {[]string{"anode", "--json"}, "anode what?", "steadybath anode --help"},
		"UnknownFlag":           {[]string{"level", "58L", "--bsth", "a"}, "no flag --bsth", "--bath"},
		"UnknownFlagFarOff":     {[]string{"level", "58L", "--xyzzy"}, "no flag --xyzzy", "steadybath level --help"},
		"UnknownShortFlag":      {[]string{"level", "58L", "-x"}, "no flag -x", "steadybath level --help"},
		"FlagOfAnotherCommand":  {[]string{"level", "58L", "--factor", "1.002"}, "no flag --factor", "steadybath level --help"},
		"FlagOfNoCommand":       {[]string{"--lot", "E7"}, "no flag --lot", "--help"},
		"ValueMissing":          {[]string{"level", "58L", "--at"}, "--at needs a value", ""},
		"ValueIsAFlag":          {[]string{"level", "58L", "--at", "--json"}, "--at needs a value", ""},
		"ValueIsTwoDashes":      {[]string{"note", "--bath", "--", "x"}, "--bath needs a value", ""},
		"ValueEmpty":            {[]string{"level", "58L", "--at", ""}, "--at needs a value", ""},
		"ValueEmptyAfterEquals": {[]string{"level", "58L", "--at="}, "--at needs a value", ""},
		"ValueBlank":            {[]string{"level", "58L", "--at", " \t"}, "--at needs a value", ""},
		"FlagTwice":             {[]string{"level", "58L", "--at", "now", "--at", "now"}, "--at is given twice", ""},
		"FlagTwiceHereOnly":     {[]string{"plate", "22Ah", "--part", "ring", "--part", "lid"}, "--part is given twice", ""},
		"AliasAndName":          {[]string{"chart", "-o", "a", "--output", "b"}, "--output is given twice", ""},
		"WordEmpty":             {[]string{"level", ""}, "empty", ""},
		"WordBlank":             {[]string{"note", "\n"}, "empty", ""},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := arrange(testApp(), c.typed)
			require.ErrorContains(t, err, c.what)
			assert.Nil(t, got)
			status, hint := classify(err)
			assert.Equal(t, statusWords, status)
			assert.Contains(t, hint, c.hint)
			// The whole program gives each of them a hint.
			status, out, errs := ask(c.typed...)
			assert.Equal(t, statusWords, status)
			assert.Empty(t, out)
			if !wantsJSON(c.typed) {
				assert.Regexp(t, `^steadybath: [^\n]+\nhint: [^\n]+\n$`, errs)
			}
		})
	}
}

// One command takes many of what another takes once, wherever its name stands.
func TestArrangeManyOrOne(t *testing.T) {
	for _, typed := range [][]string{{"plan", "--part", "ring 1dm2", "--part", "lid 2dm2"}, {"--area", "1dm2", "--area", "2dm2", "plan"}} {
		got, err := arrange(testApp(), typed)
		require.NoError(t, err)
		assert.Equal(t, "plan", got[0])
	}
	_, err := arrange(testApp(), []string{"--area", "1dm2", "--area", "2dm2", "plate", "3Ah"})
	require.ErrorContains(t, err, "--area is given twice")
}

// Distances counted by hand; a swap of neighbours is one step.
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"level", "level", 0}, {"leve", "level", 1}, {"levle", "level", 1}, {"lveel", "level", 1},
		{"titrate", "filtrate", 2}, {"", "add", 3}, {"add", "", 3}, {"größe", "große", 1}, {"ca", "abc", 3},
	} {
		assert.Equal(t, c.want, distance(c.a, c.b), "%q to %q", c.a, c.b)
	}
}

func TestNearest(t *testing.T) {
	names := []string{"level", "add", "bail", "assay", "sulfuric acid 35 %"}
	for word, want := range map[string]string{
		"leve": "level", "LEVLE": "level", "ad": "add", "bial": "bail", "sulfuric": "sulfuric acid 35 %", "x": "", "xyz": "", "a": "", "": "", "dd": "add",
	} {
		assert.Equal(t, want, nearest(word, names), word)
	}
}

func TestSplitNamed(t *testing.T) {
	names := []string{"sulfuric acid", "sulfuric acid 35 %", "copper"}
	for name, c := range map[string]struct {
		typed      []string
		name       string
		quantities []string
	}{
		"OneWord":                {[]string{"copper", "16.35mL", "16.40mL"}, "copper", []string{"16.35mL", "16.40mL"}},
		"UnitsApart":             {[]string{"copper", "16.35", "mL", "16.40", "mL"}, "copper", []string{"16.35 mL", "16.40 mL"}},
		"NameQuoted":             {[]string{"sulfuric acid", "1L"}, "sulfuric acid", []string{"1L"}},
		"NameUnquoted":           {[]string{"sulfuric", "acid", "1L"}, "sulfuric acid", []string{"1L"}},
		"NumberInTheName":        {[]string{"Sulfuric", "acid", "35", "%", "1.02", "L"}, "Sulfuric acid 35 %", []string{"1.02 L"}},
		"NumberInTheNameQuoted":  {[]string{"sulfuric acid 35 %", "1 L"}, "sulfuric acid 35 %", []string{"1 L"}},
		"Short":                  {[]string{"cop", "1 L"}, "cop", []string{"1 L"}},
		"NoName":                 {[]string{"1", "L"}, "", []string{"1 L"}},
		"Burette":                {[]string{"copper", "0.10", "..", "13.20", "mL"}, "copper", []string{"0.10..13.20 mL"}},
		"PlusMinus":              {[]string{"copper", "48.8", "±", "0.4", "g/L"}, "copper", []string{"48.8 ± 0.4 g/L"}},
		"PlusMinusBeforeANumber": {[]string{"copper", "48.8", "+-0.4", "g/L"}, "copper", []string{"48.8 +-0.4 g/L"}},
		"PlusMinusInASCII":       {[]string{"copper", "48.8", "+/-", "0.4", "g/L"}, "copper", []string{"48.8 +/- 0.4 g/L"}},
	} {
		t.Run(name, func(t *testing.T) {
			got, quantities := splitNamed(c.typed, names)
			assert.Equal(t, c.name, got)
			assert.Equal(t, c.quantities, quantities)
		})
	}
}
