package main

import (
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
)

func anodeCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "anode", Usage: "hang, top up, weigh and pull anodes", UsageText: "steadybath anode hang|top-up|weigh|pull NAME|all [MASS]",
		Description: describe("An anode has a name of your choice. While none hangs, none dissolves.",
			"steadybath anode hang slab-a 1.25kg --form slab --area 6dm2", "steadybath anode pull slab-a 0.31kg"),
		Subcommands: []*cli.Command{
			anodeVerb(s, "hang", "put an anode or a basket into the bath, or all that were pulled", "NAME|all [MASS]",
				[]string{"steadybath anode hang slab-a 1.25kg --form slab --area 6dm2", "steadybath anode hang basket 2.4kg --form nuggets --bag new", "steadybath anode hang all"},
				[]cli.Flag{
					&cli.StringFlag{Name: "form", Usage: "`FORM`: slab, bar, nuggets or inert", Value: "slab"},
					&cli.StringFlag{Name: "area", Usage: "immersed `AREA`, such as 6dm2"},
					&cli.StringFlag{Name: "bag", Usage: "its `BAG`"}, uFlag()},
				func(c *cli.Context, name string, mass chem.Measured) (chem.Body, error) {
					if mass.Given() && strings.EqualFold(c.String("form"), "inert") {
						return nil, wrongWords("leave it out, or give the form that dissolves: slab, bar or nuggets", "an inert anode keeps its weight, so that %s of %s says nothing", mass, name)
					}
					area, err := flagQuantity("area", c.String("area"), chem.DimArea)
					return chem.Hang{Anode: name, Mass: mass, Form: c.String("form"), Area: area, Bag: c.String("bag")}, err
				}),
			anodeVerb(s, "top-up", "put more nuggets into a hung basket", "NAME MASS",
				[]string{"steadybath anode top-up basket 0.8kg", "steadybath anode top-up basket 750g --at yesterday"},
				[]cli.Flag{uFlag()},
				func(c *cli.Context, name string, mass chem.Measured) (chem.Body, error) {
					if !mass.Given() {
						return nil, wrongWords("such as: steadybath anode top-up "+quoted(name)+" 0.8kg", "how much went in is missing")
					}
					return chem.Hang{Anode: name, Mass: mass, TopUp: true}, nil
				}),
			anodeVerb(s, "weigh", "weigh a hung anode, rinsed and dry", "NAME MASS",
				[]string{"steadybath anode weigh slab-a 0.99kg", "steadybath anode weigh slab-a 985g --at yesterday"},
				[]cli.Flag{uFlag()},
				func(c *cli.Context, name string, mass chem.Measured) (chem.Body, error) {
					if !mass.Given() {
						return nil, wrongWords("such as: steadybath anode weigh "+quoted(name)+" 0.99kg", "the mass is missing")
					}
					return chem.Weigh{Anode: name, Mass: mass}, nil
				}),
			anodeVerb(s, "pull", "take an anode out, or all of them", "NAME|all [MASS]",
				[]string{"steadybath anode pull slab-a 0.31kg", "steadybath anode pull all"},
				[]cli.Flag{uFlag()},
				func(c *cli.Context, name string, mass chem.Measured) (chem.Body, error) {
					if mass.Given() && isAll([]string{name}) {
						return nil, wrongWords("pull them one by one to give their masses", "all anodes have no one mass: %s", mass)
					}
					return chem.Pull{Anode: name, Mass: mass}, nil
				}),
		},
	}
}

func anodeVerb(s *session, verb, usage, words string, examples []string, flags []cli.Flag,
	body func(c *cli.Context, name string, mass chem.Measured) (chem.Body, error)) *cli.Command {
	return &cli.Command{
		Name: verb, Usage: usage, UsageText: "steadybath anode " + verb + " " + words,
		Description: describe(strings.ToUpper(usage[:1])+usage[1:]+".", examples...),
		Flags:       writeFlags(flags...),
		Action: func(c *cli.Context) error {
			if verb == "hang" && isAll(c.Args().Slice()) {
				return s.hangAll(c)
			}
			return s.enter(c.Context, c, func(b *bathFile, _ time.Time) (chem.Body, error) {
				name, mass, err := anodeWords(c)
				if err != nil {
					return nil, err
				}
				return body(c, name, mass)
			})
		},
	}
}

// anodeWords reads a name, which may have digits in it, and a mass where one
// was typed.
func anodeWords(c *cli.Context) (name string, mass chem.Measured, err error) {
	words := c.Args().Slice()
	if len(words) == 0 {
		return "", mass, wrongWords("such as slab-a", "the anode's name is missing")
	}
	name = words[0]
	rest := joinUnits(words[1:])
	if len(rest) == 0 && c.String("u") != "" {
		return "", mass, wrongWords("", "--u is the uncertainty of a mass, and the mass is missing")
	}
	if len(rest) == 0 {
		return name, mass, nil
	}
	if mass, err = quantity("the mass of "+name, rest, chem.DimMass); err != nil {
		return "", mass, err
	}
	mass.U, err = uOf(c, mass)
	return name, mass, err
}
