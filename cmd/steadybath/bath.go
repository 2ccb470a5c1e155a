package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/journal"
	"steadybath/chem/recipe"
	"steadybath/reports"
)

func bathCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "bath", Usage: "begin a bath, list baths, change settings", UsageText: "steadybath bath new|list|show|set",
		Description: describe("A bath begins with a recipe, which is kept with it: changing the file later\nchanges nothing.",
			`steadybath bath new tank-1 --recipe copper-electroforming --volume "60 L"`, "steadybath bath list"),
		Subcommands: []*cli.Command{bathNewCommand(s), bathListCommand(s), bathShowCommand(s), bathSetCommand(s)},
	}
}

func bathNewCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "new", Usage: "begin a bath", UsageText: `steadybath bath new NAME --recipe FILE|NAME --volume "60 L"`,
		Description: describe("The recipe is a file of your own or one that ships (steadybath recipe list). The\ntank's inside lets a height stand for a level; --most and --least are the marks\nbetween which the level may be.",
			`steadybath bath new tank-1 --recipe copper-electroforming --volume "60 L"`,
			`steadybath bath new tank-2 --recipe my.toml --volume 45L --tank "60x35x40 cm"`),
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "recipe", Usage: "a `FILE`, or the name of a recipe that ships"},
			&cli.StringFlag{Name: "volume", Usage: "the `VOLUME` it is run at"},
			&cli.StringFlag{Name: "zone", Usage: "the shop's time `ZONE`, such as Europe/Vienna; this machine's if not given"},
			&cli.StringFlag{Name: "tank", Usage: "inside `LENGTHxWIDTHxHEIGHT`, such as \"60x35x40 cm\""},
			&cli.StringFlag{Name: "most", Usage: "upper mark, `VOLUME`"},
			&cli.StringFlag{Name: "least", Usage: "lower mark, `VOLUME`"},
			&cli.StringFlag{Name: "at", Usage: "`WHEN` it begins; now if not given"},
			&cli.StringFlag{Name: "note", Usage: "a `TEXT` to keep with it"},
			&cli.StringFlag{Name: "id", Usage: "`ID` of a fact whose connection broke: never entered twice"},
			jsonFlag(), databaseFlag()},
		Action: func(c *cli.Context) error { return runBathNew(c.Context, s, c) },
	}
}

func runBathNew(ctx context.Context, s *session, c *cli.Context) error {
	name := strings.Join(c.Args().Slice(), " ")
	if name == "" {
		return wrongWords(`such as: steadybath bath new tank-1 --recipe copper-electroforming --volume "60 L"`, "the bath's name is missing")
	}
	text, err := recipeText(c.String("recipe"))
	if err != nil {
		return err
	}
	r, err := recipe.Parse(c.String("recipe"), text)
	if err != nil {
		return refused("steadybath recipe check FILE names every fault", "recipe %s: %v", c.String("recipe"), err)
	}
	body := chem.Begin{Recipe: string(text), Zone: c.String("zone")}
	if body.Zone == "" {
		body.Zone = machineZone(s.env)
	}
	zone, err := loadZone(body.Zone)
	if err != nil {
		return err
	}
	if c.String("volume") == "" {
		return wrongWords(`such as --volume "60 L"`, "--volume is missing: the volume the bath is run at (the recipe is for %g L)", r.Volume)
	}
	for flag, into := range map[string]*chem.Measured{"volume": &body.Volume, "most": &body.Tank.Most, "least": &body.Tank.Least} {
		if *into, err = flagQuantity(flag, c.String(flag), chem.DimVolume); err != nil {
			return err
		}
	}
	if err := tankSize(c.String("tank"), &body.Tank); err != nil {
		return err
	}
	if err := tankMarks(body); err != nil {
		return err
	}
	store, err := s.open(c)
	if err != nil {
		return err
	}
	all, err := store.Baths(ctx)
	if err != nil {
		return err
	}
	for _, b := range all {
		if strings.EqualFold(b.Name, name) && c.String("id") == "" {
			return refused("choose another name", "there is a bath %s already", b.Name)
		}
	}
	at, err := s.when(c, zone, false)
	if err != nil {
		return err
	}
	id, err := newID(c)
	if err != nil {
		return err
	}
	row, err := journal.Encode(chem.Fact{ID: id, Time: at, Bath: name, Note: c.String("note"), Body: body})
	if err != nil {
		return wrongWords("", "%s", whyOf(body, err))
	}
	entries, err := s.write(ctx, c, nil, row)
	if err != nil {
		return err
	}
	if c.Bool("json") {
		err = s.printJSON(entries[0].Row.JSON(0))
	} else if err = say(s.stdout, "bath %s begins: %s, %s, times in %s", name, r.Title, body.Volume, body.Zone); err == nil {
		err = sayNext(s, r, body)
	}
	if err != nil {
		return writtenAll(entries, err)
	}
	return nil
}

// sayNext tells what to type after a bath has begun.
func sayNext(s *session, r *chem.Recipe, body chem.Begin) error {
	fill := "steadybath fill " + strings.ReplaceAll(body.Volume.String(), " ", "")
	for _, c := range r.Constituents {
		if c.Role == chem.RoleMetal {
			fill += fmt.Sprintf(" --with %q ...", fmt.Sprintf("%s %g %s", c.Name, c.Target, c.Unit))
		}
	}
	if !r.Cyanide {
		fill += ", or just titrate"
	}
	return say(s.stdout, "next: %s", fill)
}

// tankMarks refuses marks that contradict the volume.
func tankMarks(b chem.Begin) error {
	v := b.Volume.Value("L")
	if !(v > 0) {
		return wrongWords(`more than nothing, such as --volume "60 L"`, "--volume: a bath of %s holds nothing", b.Volume)
	}
	if b.Tank.Most.Given() && b.Tank.Most.Value("L") < v {
		return wrongWords("", "--most %s is below the volume of %s", b.Tank.Most, b.Volume)
	}
	if b.Tank.Least.Given() && b.Tank.Least.Value("L") > v {
		return wrongWords("", "--least %s is above the volume of %s", b.Tank.Least, b.Volume)
	}
	return nil
}

// tankSize reads "60x35x40 cm".
func tankSize(text string, t *chem.Tank) error {
	if text == "" {
		return nil
	}
	bad := wrongWords(`such as --tank "60x35x40 cm"`, "--tank %q is not a length, a width and a height with one unit", text)
	i := strings.LastIndexAny(text, "0123456789")
	if i < 0 {
		return bad
	}
	unit, err := chem.ParseUnit(text[i+1:])
	if err != nil || unit.Dimension() != chem.DimLength {
		return bad
	}
	sides := strings.FieldsFunc(text[:i+1], func(r rune) bool { return r == 'x' || r == 'X' || r == '×' || r == '*' })
	if len(sides) != 3 {
		return bad
	}
	for k, into := range []*chem.Measured{&t.Length, &t.Width, &t.Height} {
		d, err := chem.ParseDecimal(sides[k])
		if err != nil || !(d.Float() > 0) {
			return bad
		}
		*into = chem.Measured{Number: d, Unit: unit}
	}
	return nil
}

// machineZone is the IANA name of this machine's zone, UTC where it has none.
func machineZone(env func(string) string) string {
	if tz := env("TZ"); tz != "" {
		if _, err := time.LoadLocation(tz); err == nil && tz != "Local" {
			return tz
		}
	}
	if path, err := filepath.EvalSymlinks("/etc/localtime"); err == nil {
		if _, name, ok := strings.Cut(path, "zoneinfo/"); ok {
			if _, err := time.LoadLocation(name); err == nil {
				return name
			}
		}
	}
	return "UTC"
}

// recipeText reads a recipe: one that ships, or a file.
func recipeText(name string) ([]byte, error) {
	if name == "" {
		return nil, wrongWords("such as --recipe copper-electroforming; that ships: "+strings.Join(recipe.Shipped(), ", "), "--recipe is missing")
	}
	if text, ok := recipe.ShippedText(name); ok {
		return text, nil
	}
	text, err := os.ReadFile(name)
	if err == nil && len(bytes.TrimSpace(text)) == 0 {
		return nil, refused("steadybath recipe show copper-electroforming prints one to begin with", "recipe %s cannot be used: it is empty", name)
	}
	if err != nil {
		hint := "that ships: " + strings.Join(recipe.Shipped(), ", ")
		if near := nearest(name, recipe.Shipped()); near != "" {
			hint = "did you mean " + near + "?"
		}
		return nil, refused(hint, "there is no recipe or file %q", name)
	}
	return text, nil
}

func bathListCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "list", Usage: "list the baths", UsageText: "steadybath bath list",
		Description: describe("Name, count of facts and when the last one was entered.", "steadybath bath list", "steadybath bath list --json"),
		Flags:       []cli.Flag{knownOnFlag(), jsonFlag(), databaseFlag()},
		Action: func(c *cli.Context) error {
			if err := noWords("bath list", c.Args().Slice()); err != nil {
				return err
			}
			store, err := s.open(c)
			if err != nil {
				return err
			}
			all, err := store.Baths(c.Context)
			if err != nil {
				return err
			}
			type line struct {
				Bath    string    `json:"bath"`
				Facts   int64     `json:"facts"`
				Entered time.Time `json:"entered"`
				Head    string    `json:"head"`
			}
			list := []line{}
			for _, b := range all {
				if b.Name != "" && c.String("known-on") != "" {
					zone, err := s.bathZone(c, b.Name)
					if err != nil {
						return err
					}
					until, err := s.knownOn(c, zone)
					if err != nil {
						return err
					}
					if b, err = store.Prefix(c.Context, b.Name, until); err != nil {
						return err
					}
				}
				if b.Name != "" && b.Facts > 0 {
					list = append(list, line{b.Name, b.Facts, b.Entered.UTC(), b.Head})
				}
			}
			if c.Bool("json") {
				return s.printJSON(struct {
					Baths []line `json:"baths"`
				}{list})
			}
			for _, b := range list {
				if err := say(s.stdout, "%-20s %6d facts, the last entered %s", b.Bath, b.Facts, b.Entered.Local().Format("2 Jan 2006 15:04")); err != nil {
					return err
				}
			}
			return nil
		},
	}
}

func bathShowCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "show", Usage: "print the recipe a bath was begun with", UsageText: "steadybath bath show",
		Description: describe("The text as it is kept with the bath.", "steadybath bath show", "steadybath bath show --bath tank-1 > tank-1.toml"),
		Flags:       []cli.Flag{bathFlag(), databaseFlag()},
		Action: func(c *cli.Context) error {
			if err := noWords("bath show", c.Args().Slice()); err != nil {
				return err
			}
			b, err := s.bath(c)
			if err != nil {
				return err
			}
			for _, f := range b.entered {
				if begin, ok := f.Body.(chem.Begin); ok {
					_, err = fmt.Fprint(s.stdout, begin.Recipe)
				}
			}
			return err
		},
	}
}

func recipeCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "recipe", Usage: "look at recipes", UsageText: "steadybath recipe list|show|check",
		Description: describe("A recipe says what a bath ought to be. Print one that ships, change it, check it,\nand begin a bath with it.", "steadybath recipe show copper-electroforming > my.toml", "steadybath recipe check my.toml"),
		Subcommands: []*cli.Command{
			{
				Name: "list", Usage: "list the recipes that ship", UsageText: "steadybath recipe list",
				Description: describe("Short name and title.", "steadybath recipe list", "steadybath recipe show copper-electroforming"),
				Action: func(c *cli.Context) error {
					if err := noWords("recipe list", c.Args().Slice()); err != nil {
						return err
					}
					for _, name := range recipe.Shipped() {
						text, _ := recipe.ShippedText(name)
						r, err := recipe.Parse(name, text)
						if err != nil {
							return err
						}
						if err := say(s.stdout, "%-24s %s", name, r.Title); err != nil {
							return err
						}
					}
					return nil
				},
			},
			{
				Name: "show", Usage: "print a recipe, or where its figures come from", UsageText: "steadybath recipe show NAME|FILE",
				Description: describe("The file as it is, or with --sources a table of every figure with its source:\nprinted in a work that is named, computed, from memory, or yours to set.", "steadybath recipe show copper-electroforming > my.toml", "steadybath recipe show nickel-watts --sources"),
				Flags:       []cli.Flag{&cli.BoolFlag{Name: "sources", Usage: "list every figure with where it comes from"}, jsonFlag()},
				Action:      func(c *cli.Context) error { return showRecipe(s, c) },
			},
			{
				Name: "check", Usage: "name every fault of a recipe, by line", UsageText: "steadybath recipe check FILE",
				Description: describe("Says nothing but the title where there is none.", "steadybath recipe check my.toml", "steadybath recipe check copper-electroforming"),
				Flags:       []cli.Flag{jsonFlag()},
				Action:      func(c *cli.Context) error { return checkRecipe(s, c) },
			},
		},
	}
}

func showRecipe(s *session, c *cli.Context) error {
	name := strings.Join(c.Args().Slice(), " ")
	text, err := recipeText(name)
	if err != nil {
		return err
	}
	if !c.Bool("sources") {
		if c.Bool("json") {
			return wrongWords("steadybath recipe show NAME --sources --json lists its figures", "a recipe is a text; --json goes with --sources")
		}
		_, err = s.stdout.Write(text)
		return err
	}
	figures, r, err := recipe.Figures(name, text)
	if err != nil {
		return recipeFaults(name, err)
	}
	sources := reports.SourcesOf(name, r, figures)
	if c.Bool("json") {
		return s.printJSON(sources)
	}
	return reports.WriteSources(s.stdout, sources)
}

func checkRecipe(s *session, c *cli.Context) error {
	name := strings.Join(c.Args().Slice(), " ")
	text, err := recipeText(name)
	if err != nil {
		return err
	}
	r, err := recipe.Parse(name, text)
	if err != nil {
		return recipeFaults(name, err)
	}
	if c.Bool("json") {
		return s.printJSON(struct {
			Recipe       string `json:"recipe"`
			Title        string `json:"title"`
			Constituents int    `json:"constituents"`
			Materials    int    `json:"materials"`
			Methods      int    `json:"methods"`
		}{name, r.Title, len(r.Constituents), len(r.Materials), len(r.Methods)})
	}
	return say(s.stdout, "%s: %d constituents, %d materials, %d methods; no fault", r.Title, len(r.Constituents), len(r.Materials), len(r.Methods))
}

// recipeFaults names every fault of a recipe on a line of its own.
func recipeFaults(name string, err error) error {
	faults := strings.Split(err.Error(), "\n")
	if len(faults) == 1 {
		return refused("mend the line named; steadybath recipe show copper-electroforming is one without a fault", "recipe %s cannot be used: %s", name, faults[0])
	}
	count := fmt.Sprintf("%d faults", len(faults))
	return &problem{status: statusRefused, what: fmt.Sprintf("recipe %s cannot be used: %s", name, count),
		hint: "mend the lines named; steadybath recipe show copper-electroforming is one without a fault", parts: faults}
}
