package main

import (
	"strings"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/hazard"
	"steadybath/reports"
)

func cautionsCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "cautions", Usage: "the usual cautions, by bath or by material", UsageText: "steadybath cautions [MATERIAL] [--all]",
		Description: describe("Hazard statements with their sources, and what to do, for what the bath's recipe\nbrings in: materials, titrants, treatments. The safety data sheet of what you\nbought, local codes and licensed practice come first.",
			"steadybath cautions", `steadybath cautions "sulfuric acid"`),
		Flags: []cli.Flag{bathFlag(), jsonFlag(), databaseFlag(),
			&cli.BoolFlag{Name: "all", Usage: "everything that is known, whatever the bath"}},
		Action: func(c *cli.Context) error { return runCautions(s, c) },
	}
}

func runCautions(s *session, c *cli.Context) error {
	cautions, err := s.cautions(c)
	if err != nil {
		return err
	}
	if c.Bool("json") {
		return s.printJSON(cautions)
	}
	return reports.WriteCautions(s.stdout, cautions)
}

// cautions gathers what is asked for. A material or everything needs no
// database: whoever has spilled acid may have none.
func (s *session) cautions(c *cli.Context) (reports.Cautions, error) {
	typed := strings.Join(c.Args().Slice(), " ")
	asked := 0
	for _, is := range []bool{strings.TrimSpace(typed) != "", c.Bool("all"), c.String("bath") != ""} {
		if is {
			asked++
		}
	}
	switch {
	case asked > 1:
		return reports.Cautions{}, wrongWords("leave all but one out", "a material, --all and --bath ask for different things")
	case c.Bool("all"):
		return reports.CautionsOf(hazard.Substances()), nil
	case c.NArg() > 0:
		x, err := pickSubstance(typed)
		if err != nil {
			return reports.Cautions{}, err
		}
		return reports.CautionsOf([]hazard.Substance{x}), nil
	}
	b, err := s.bath(c)
	if err != nil {
		return reports.Cautions{}, err
	}
	now, err := s.now()
	if err != nil {
		return reports.Cautions{}, err
	}
	return reports.CautionsOfBath(b.Name, b.Recipe(now)), nil
}

// pickSubstance finds a substance by any of its names, or by the only one that
// has what was typed in its name.
func pickSubstance(typed string) (hazard.Substance, error) {
	if x, ok := hazard.Find(typed); ok {
		return x, nil
	}
	const more = "steadybath cautions --all lists what is known"
	if strings.TrimSpace(typed) == "" {
		return hazard.Substance{}, wrongWords(more, "which material?")
	}
	name, err := pick("material", typed, hazard.Names())
	if status, hint := classify(err); err != nil {
		if status == statusRefused {
			if !strings.HasPrefix(hint, "did you mean") {
				hint = "read its supplier's safety data sheet; --all lists what is known"
			}
			return hazard.Substance{}, wrongWords(hint, "there are no cautions about %q here", typed)
		}
		return hazard.Substance{}, err
	}
	x, _ := hazard.Find(name)
	return x, nil
}

// careOf is the one line that an entry shows about what was handled, or nothing:
// only where somebody can be hurt at that moment.
func careOf(r *chem.Recipe, body chem.Body) string {
	about := func(name string) string {
		x, ok := hazard.Find(name)
		if !ok || x.Brief.Text == "" {
			return ""
		}
		return "care: " + x.Brief.Text
	}
	switch f := body.(type) {
	case chem.Add:
		return about(f.Material)
	case chem.Treat:
		return about(string(f.With))
	case chem.Titrant:
		return about(f.Name)
	case chem.Bail:
		return "care: " + hazard.WasteShort
	case chem.Fill:
		if r.Cyanide {
			return "care: " + hazard.CyanideShort
		}
		if _, acid := r.WithRole(chem.RoleAcid); acid && f.Origin == chem.OriginMakeUp {
			return about("sulfuric acid")
		}
	}
	return ""
}
