package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
)

// treatments are the words for what is done to clean a bath.
var treatments = []string{string(chem.TreatCarbon), string(chem.TreatPeroxide), string(chem.TreatDummy)}

func treatCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "treat", Usage: "write down a carbon, peroxide or dummy treatment", UsageText: "steadybath treat carbon|peroxide|dummy [AMOUNT]",
		Description: describe("How much was used, or the charge of dummy plating. What carbon or peroxide left of\nthe organics is unknown until a panel says so. Peroxide burns skin and eyes and\nfoams with carbon and organics: goggles and gloves, never into a closed vessel.\nThe safety data sheet comes first; spent carbon is hazardous waste.",
			"steadybath treat carbon 200g --hours 12", "steadybath treat dummy 12Ah --hours 6"),
		Flags: writeFlags(&cli.StringFlag{Name: "hours", Usage: "how long it took, `HOURS`"}),
		Action: func(c *cli.Context) error {
			unknown := ""
			err := s.enter(c.Context, c, func(b *bathFile, at time.Time) (chem.Body, error) {
				t, err := treatBody(c)
				if err == nil && t.With != chem.TreatDummy {
					unknown = organicNames(b.Recipe(at))
				}
				return t, err
			})
			if err != nil || unknown == "" || c.Bool("json") {
				return err
			}
			return say(s.stdout, "what it left of %s is unknown until a panel says so", unknown)
		},
	}
}

func treatBody(c *cli.Context) (chem.Treat, error) {
	var t chem.Treat
	typed, amounts := splitNamed(c.Args().Slice(), treatments)
	with, err := oneOf("treatment", typed, treatments)
	if err != nil {
		return t, err
	}
	t.With = chem.Treatment(with)
	dims := []chem.Dimension{chem.DimMass, chem.DimVolume}
	what := "the amount of " + with
	switch t.With {
	case chem.TreatDummy:
		dims, what = []chem.Dimension{chem.DimCharge}, "the charge of dummy plating"
	case chem.TreatPeroxide:
		dims = []chem.Dimension{chem.DimVolume, chem.DimMass}
	}
	if len(amounts) > 0 {
		if t.Amount, err = quantity(what, amounts, dims...); err != nil {
			return t, err
		}
		if t.Amount.Number.Float() == 0 {
			return t, wrongWords("leave it out where it is not known", "%s is 0", what)
		}
	}
	t.Hours, err = flagIn("hours", c.String("hours"), "h")
	return t, err
}

// oneOf finds one of a few words of the tool's own; what is typed wrongly is
// wrong whatever the bath.
func oneOf(what, typed string, words []string) (string, error) {
	word, err := pick(what, typed, words)
	if status, hint := classify(err); err != nil && status == statusRefused {
		return "", wrongWords(hint, "%q is no %s; there is %s", typed, what, strings.Join(words, ", "))
	}
	return word, err
}

func organicNames(r *chem.Recipe) string {
	var names []string
	for _, x := range r.Constituents {
		if x.Role == chem.RoleOrganic {
			names = append(names, x.Name)
		}
	}
	if len(names) > 2 {
		return fmt.Sprintf("the %d organics", len(names))
	}
	return strings.Join(names, " and ")
}

// changes are what is changed at a tank and has an age worth knowing.
var changes = []string{"bags", "filter"}

func changeCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "change", Usage: "write down that bags or filter were changed", UsageText: "steadybath change bags|filter",
		Description: describe("The anode bags or the filter. Used ones hold bath: rinse them over the tank and\nkeep them with the hazardous waste.",
			"steadybath change bags", `steadybath change filter --note "1 um, wound" --at yesterday`),
		Flags: writeFlags(),
		Action: func(c *cli.Context) error {
			return s.enter(c.Context, c, func(*bathFile, time.Time) (chem.Body, error) {
				what, err := oneOf("change", strings.Join(c.Args().Slice(), " "), changes)
				return chem.Change{What: what}, err
			})
		},
	}
}
