package main

import (
	"strings"

	"github.com/urfave/cli/v2"

	"steadybath/chem/estimate"
	"steadybath/chem/trouble"
	"steadybath/reports"
)

// symptomOf reads --symptom before any records are opened.
func symptomOf(c *cli.Context) (trouble.Symptom, error) {
	if !c.IsSet("symptom") {
		return "", nil
	}
	for _, f := range []string{"why", "smoothed"} {
		if c.IsSet(f) {
			return "", wrongWords("leave one of them out", "--symptom and --%s are two questions", f)
		}
	}
	typed := strings.ToLower(strings.TrimSpace(c.String("symptom")))
	names := symptomNames()
	for _, n := range names {
		if typed == n || len(typed) > 2 && strings.HasPrefix(n, typed) {
			return trouble.Symptom(n), nil
		}
	}
	hint := "there is: " + strings.Join(names, ", ")
	if near := nearest(typed, append(names, symptomWords()...)); near != "" {
		hint = "did you mean " + meantBy(near) + "? " + hint
	}
	return "", wrongWords(hint, "--symptom %q is none that is known", c.String("symptom"))
}

func symptomNames() []string {
	var names []string
	for _, s := range trouble.Symptoms() {
		names = append(names, string(s))
	}
	return names
}

// orList lists words as a flag's help does, so that they are offered as well.
func orList(words []string) string {
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " or " + words[last]
}

// meantBy gives other words for a symptom their name here.
func meantBy(word string) string {
	switch word {
	case "burning", "burn":
		return string(trouble.Burnt)
	case "matt", "dullness", "hazy", "grey":
		return string(trouble.Dull)
	case "pits", "pitting":
		return string(trouble.Pitted)
	case "nodules", "roughness", "grainy":
		return string(trouble.Rough)
	case "distribution":
		return string(trouble.Uneven)
	case "current", "polarised", "amps":
		return string(trouble.Amps)
	}
	return word
}

func symptomWords() []string {
	return []string{"burning", "burn", "matt", "dullness", "hazy", "grey", "pits", "pitting", "nodules", "roughness", "grainy", "distribution", "current", "polarised", "amps"}
}

func runTrouble(s *session, c *cli.Context, b *bathFile, e *estimate.Estimate, symptom trouble.Symptom, sys reports.Units) error {
	found, err := trouble.Look(e, symptom)
	if err != nil {
		return refused("steadybath state shows the bath as it is known", "%v", err)
	}
	if c.Bool("json") {
		return reports.TroubleJSON(s.stdout, e, symptom, found, b.head)
	}
	return reports.Trouble(s.stdout, e, symptom, found, b.zone, sys, b.head)
}
