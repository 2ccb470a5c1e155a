package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// wrongEntry is a line that a tired person types wrong, and what the answer has
// to name: the value or word as typed, the place where it stands, and what would
// fit. Each is a regular expression written from what the person needs to know.
// What and where are looked for in the sentence, the remedy also in the hint.
type wrongEntry struct {
	line                 string
	status               int
	value, place, remedy string
}

// wrongShop is what lies in the database while the table is gone through.
var wrongShop = []string{
	`bath new tank-1 --recipe copper-electroforming --volume '60 L' --zone Europe/Vienna --at 2026-01-02`,                                                                 // 1
	`fill 58L --origin make-up --with 'copper 50+-0.5 g/L' --with 'sulfuric acid 60+-1 g/L' --with 'chloride 60+-3 mg/L' --with 'brightener 4+-0.2 mL/L' --at 2026-01-02`, // 2
	`titrant EDTA --lot E6 --molarity '0.1 mol/L' --factor 1.002 --expires 2026-10 --at 2026-01-02`,
	`titrant EDTA --lot E7 --molarity '0.1 mol/L' --factor 0.998 --expires 2027-03 --at 2026-01-02`,
	`material brightener 500mL --lot B12 --at 2026-01-02`,
	`material brightener 100mL --lot B10 --expires 2026-10-31 --at 2026-01-02`,
	`material brightener 20mL --lot B9 --at 2026-01-02`,
	`add brightener 20mL --lot B9 --at 2026-02-01`,  // 3
	`anode hang slab-a 1.25kg --at 2026-02-02`,      // 4
	`anode hang slab-b 1.10kg --at 2026-02-02`,      // 5
	`anode pull slab-b 1.00kg --at 2026-02-20`,      // 6
	`meter main 120Ah --at 2026-03-01`,              // 7
	`note 'pits on the lower edge' --at 2026-03-02`, // 8
	`void 8 because 'wrong tank' --at 2026-03-02`,   // 9
	`void 9 because 'right tank' --at 2026-03-02`,   // 10
	`level 57.6L --at 2026-11-20`,                   // 11
	`note 'a bracket fell in' --at 2026-11-20`,      // 12
	`void 12 because 'it was the other tank'`,       // 13
	`meter main 150Ah --at 2026-11-20`,              // 14
}

// wrongFiles lie beside the person who types; {name} in a line is their path.
var wrongFiles = map[string]func(shipped string) string{
	"inert": func(shipped string) string {
		dissolve := regexp.MustCompile(`(?m)^(anode_efficiency|dissolution|sludge) .*\n`)
		inert := strings.Replace(shipped, `anodes     = "soluble"`, `anodes     = "inert"`, 1)
		return dissolve.ReplaceAllString(strings.Replace(inert, "high    = 100 ", "high    = 2000", 1), "")
	},
	"nolow":  func(shipped string) string { return strings.Replace(shipped, "low     = 46", "low     = 56", 1) },
	"typo":   func(shipped string) string { return strings.Replace(shipped, "target  = 50", "targte  = 50", 1) },
	"broken": func(shipped string) string { return shipped + "\n[[constituent\n" },
	"empty":  func(string) string { return "" },
	"bytes":  func(string) string { return "title = \"\xff\xfe\"\n" },
	"column": func(string) string { return "volume\n16.35\n16.40\n" },
	"badrow": func(string) string {
		return "time,bath,kind,subject,value,unit,u,note\n2026-03-02T10:00:00Z,tank-1,level,,fifty,L,0.3,\n"
	},
}

var wrongEntries = []wrongEntry{
	// A command that is none.
	{`titrat copper 16.35mL`, 2, `titrat\b`, `command`, `titrate`},
	{`lvl 58L`, 2, `lvl`, `command`, `level`},
	{`copper 16.35mL`, 2, `copper`, `command`, `titrate|--help`},
	{`58.2L`, 2, `58\.2L`, `command`, `level|--help`},
	{`bath nwe tank-2`, 2, `nwe`, `bath`, `new`},
	{`anode`, 2, `hang|weigh|pull`, `anode`, `hang`},
	{`anode hnag slab-c 1kg`, 2, `hnag`, `anode`, `hang`},
	{`server strat`, 2, `strat`, `server`, `start`},

	// Flags that do not belong, lack their value, or stand twice.
	{`level 58L --aera 5dm2`, 2, `--aera`, `level`, `--help|--at`},
	{`level 58L --area 5dm2`, 2, `--area`, `level`, `--help`},
	{`titrate copper 16.35mL --aliqout 2mL`, 2, `--aliqout`, `titrate`, `--aliquot`},
	{`add brightener 3mL --hours 4`, 2, `--hours`, `add`, `--help`},
	{`plate 22.5Ah --hours`, 2, `value`, `--hours`, `--help|such as|HOURS`},
	{`plate 22.5Ah --hours 4 --hours 5`, 2, `twice`, `--hours`, `once|one|--help`},
	{`plate 22.5Ah --hours 4 --current 6A`, 2, `22\.5 ?Ah|charge`, `--current`, `or`},
	{`meter main 130Ah --rest`, 2, `--rest`, `meter`, `--reset`},
	{`state --units imperial`, 2, `imperial`, `units`, `metric.*us`},
	{`level 58L --units imperial`, 2, `imperial`, `units`, `metric.*us`},
	{`change bags --json=perhaps`, 2, `perhaps`, `--json`, `true|--json`},
	{`titrant EDTA --lot E9 --molarity 0.1M --bath tank-1`, 2, `--bath`, `titrant`, `shop|--help`},
	{`dose --as-planned`, 2, `--as-planned`, `--record`, `--record`},
	{`chart --all --bath tank-1`, 2, `tank-1`, `--all.*--bath`, `leave`},
	{`chart --output - --open`, 2, `--output -`, `--open`, `leave`},
	{`chart --output - --all`, 2, `--output -`, `--all`, `such as`},
	{`chart --from 2026-11-01 --to 2026-10-01`, 2, `1 Nov 2026.*1 Oct 2026`, `charts`, `earlier.*--from`},
	{`chart --from lately`, 2, `lately`, `--from`, `2026-03-02|ago`},
	{`chart --to 2025-12-01`, 1, `1 Dec 2025`, `--to`, `later`},
	{`chart --from tomorrow`, 2, `tomorrow`, `--from`, `2026-03-02|ago`},
	{`chart --opne`, 2, `--opne`, `chart`, `--open`},
	{`history --last`, 2, `value`, `--last`, `N|number|--help`},
	{`history --last -3`, 2, `-3`, `--last`, `1|more|above`},
	{`history --last many`, 2, `many`, `--last`, `number|whole`},
	{`history --kind titration`, 2, `titration`, `kind`, `assay`},

	{`history --shop --bath tank-1`, 2, `--bath`, `--shop`, `one|without|shop`},
	{`titrant list --lot E7`, 2, `--lot`, `titrant list`, `leave`},
	{`material list brightener`, 2, `brightener`, `material list`, `--help`},

	// Words after the end, and too few.
	{`level 58L today`, 2, `today`, `level`, `--at|one`},
	{`level`, 2, `missing`, `volume|level`, `58|L`},
	{`titrate`, 2, `which|missing`, `constituent`, `copper|--help`},
	{`titrate copper`, 2, `missing`, `copper|volume|burette`, `mL`},
	{`state now`, 2, `now`, `state`, `--at`},
	{`state tank-1`, 2, `tank-1`, `state`, `--bath`},
	{`dose copper`, 2, `copper`, `dose`, `--only|--target|--help`},
	{`add brightener`, 2, `missing`, `brightener|amount`, `mL|such as`},
	{`add 12mL`, 2, `which|missing`, `material|name`, `add MATERIAL|material|brightener`},
	{`bail 1.5L 2L`, 2, `2 ?L|2 `, `bail|volume`, `one`},
	{`note`, 2, `missing`, `text`, `TEXT|text|such as`},
	{`note ''`, 2, `empty`, `after steadybath note`, `type what is meant`},
	{`change`, 2, `which|missing`, `chang`, `bags.*filter`},
	{`change anode`, 2, `anode`, `chang`, `bags.*filter`},
	{`treat`, 2, `which|missing`, `treat`, `carbon.*peroxide.*dummy`},
	{`treat coal 200g`, 2, `coal`, `treat`, `carbon.*peroxide.*dummy`},
	{`void`, 2, `missing|number`, `void|fact`, `history|214|NUMBER`},
	{`void 8`, 2, `missing`, `reason`, `because|read the wrong`},
	{`void eight because wrong`, 2, `eight`, `number|fact`, `history|number|214`},
	{`export tank-1`, 2, `tank-1`, `export`, `--bath`},
	{`export --format xml`, 2, `--format|xml`, `export`, `--help|csv`},

	// A spreadsheet's column, its tabs and its header.
	{"titrate copper 'mL\n16.35\n16.40\n16.38'", 2, `mL 16\.35|"mL`, `delivered|burette|volume`, `16\.35 ?mL|each|unit`},
	{"titrate copper '16.35\n16.40\n16.38'", 2, `16\.35`, `volume|unit`, `mL`},
	{"titrate copper '16.35\t16.40\t16.38'", 2, `16\.35`, `volume|unit`, `mL`},
	{"titrate copper volume 16.35mL 16.40mL", 2, `volume`, `"volume"|number`, `mL|16\.35`},
	{"titrate copper 16.35mL '' 16.40mL", 2, `empty|""`, `volume|word`, `mL|leave`},
	{"titrate copper '16,35\n16,40'", 2, `16,35`, `volume|unit`, `mL`},
	{"plate '22.5Ah\n18.0Ah'", 2, `22\.5`, `charge|plate|Ah`, `one`},
	{"level '58.2L\n57.9L'", 2, `58\.2`, `volume|level|L`, `one`},
	{`import {column}`, 1, `volume`, `line 1|column`, `time,bath,kind|header|columns`},
	{`import {badrow}`, 1, `fifty`, `line 2`, `number`},

	// Burettes and titrations.
	{`titrate copper 13.20..0.10mL`, 2, `13\.2`, `start|end`, `0\.1.*13\.2|other way|start.*end|start`},
	{`titrate copper 5..5mL`, 1, `0 g/L`, `copper`, `46 to 54 g/L`},
	{`titrate copper 0.10mL..13.20`, 2, `0\.10|13\.20`, `burette|unit|volume`, `0\.10\.\.13\.20 ?mL`},
	{`titrate copper -0.5mL`, 2, `-0\.5`, `negative|below zero`, `0|burette|mL`},
	{`titrate copper 0mL`, 1, `0 g/L`, `copper`, `46 to 54 g/L`},
	{`titrate copper 16.35`, 2, `16\.35`, `unit`, `mL`},
	{`titrate copper 16.35g`, 2, `16\.35 ?g|\bg\b`, `volume`, `mL`},
	{`titrate copper 3Ah`, 2, `Ah`, `volume`, `mL`},
	{`titrate copper 16.35mL --aliquot 0mL`, 2, `\b0`, `aliquot`, `mL|more`},
	{`titrate copper 16.35mL --aliquot 2`, 2, `\b2\b`, `aliquot`, `mL`},
	{`titrate copper 16.35mL --aliquot 2g`, 2, `\b2 ?g|g is`, `aliquot`, `mL|volume`},
	{`titrate copper 16.35mL --factor 0`, 2, `\b0`, `factor`, `1|more`},
	{`titrate copper 16.35mL --factor NaN`, 2, `NaN`, `factor`, `number`},
	{`titrate copper 16.35mL --molarity 0.1`, 2, `0\.1`, `molarity`, `mol/L`},
	{`titrate copper 16.35mL --lot E6`, 1, `E6`, `EDTA`, `--force|new|E7`},
	{`titrate copper 16.35mL --lot E9`, 1, `E9`, `EDTA`, `E7`},
	{`titrate copper 16.35mL --method gravimetry`, 1, `gravimetry`, `method`, `copper|there is|EDTA|complexometr`},
	{`titrate cupper 16.35mL`, 1, `cupper`, `tank-1|constituent`, `copper`},
	{`titrate brightener 3mL`, 1, `brightener`, `method`, `assay|panel`},
	{`titrate c 16.35mL`, 2, `"c"`, `copper.*chloride|chloride.*copper`, `copper|chloride`},
	{`titrate copper 163.5mL`, 1, `163\.5|g/L`, `copper`, `16\.35|--force`},

	// The decimal comma.
	{`level 1,234L`, 2, `1,234`, `the level`, `1\.234.*1234|1234.*1\.234`},
	{`add brightener 1,200mL`, 2, `1,200`, `amount of brightener`, `1\.200.*1200|1200.*1\.2|1\.2`},
	{`plate 1,250Ah`, 2, `1,250`, `the charge`, `1\.250.*1250|1250.*1\.25|1\.25`},
	{`assay copper 51,800g/L`, 2, `51,800`, `copper`, `51\.8|51800`},
	{`level 1.234,5L`, 2, `1\.234,5`, `the level`, `1234\.5|1234,5`},
	{`level 5,8,2L`, 2, `5,8,2`, `the level`, `1234\.5|58\.2`},
	{`level 58..2L`, 2, `58\.\.2`, `number|volume|level`, `58\.2|such as|one`},
	{`bath set copper.high 1,250 g/L because tried`, 2, `1,250`, `g/L|copper.high`, `1\.25|1250`},

	// A unit missing, or of another kind, for each kind of quantity.
	{`level 58.2`, 2, `58\.2`, `unit`, `L`},
	{`level 3kg`, 2, `kg|3 ?kg`, `mass|volume`, `L`},
	{`plate 22.5`, 2, `22\.5`, `unit`, `Ah`},
	{`plate 22.5L`, 2, `22\.5 ?L|\bL\b`, `volume|charge`, `Ah`},
	{`plate --current 6 --hours 4`, 2, `\b6\b`, `--current`, `\bA\b`},
	{`plate --current 6Ah --hours 4`, 2, `Ah`, `--current`, `\bA\b`},
	{`plate 22.5Ah --hours 4A`, 2, `4 ?A|\bA\b`, `--hours`, `h\b|hours`},
	{`plate 22.5Ah --area 5.5`, 2, `5\.5`, `--area`, `dm2`},
	{`plate 22.5Ah --area 5L`, 2, `\bL\b|5 ?L`, `--area`, `dm2`},
	{`plate 22.5Ah --gain 24.3`, 2, `24\.3`, `--gain`, `\bg\b`},
	{`plate 22.5Ah --gain 24mL`, 2, `mL`, `--gain`, `\bg\b`},
	{`add brightener 12`, 2, `12`, `unit`, `mL`},
	{`add brightener 12Ah`, 2, `Ah`, `charge`, `mL|volume`},
	{`add 'copper sulfate pentahydrate' 310`, 2, `310`, `unit`, `g\b|kg`},
	{`bail 1.5`, 2, `1\.5`, `unit`, `L`},
	{`bail 1.5kg`, 2, `kg`, `mass|volume`, `L`},
	{`assay copper 51.8`, 2, `51\.8`, `unit`, `g/L`},
	{`assay copper 12mL`, 2, `mL`, `volume|concentration`, `g/L`},
	{`assay brightener 4g/L`, 2, `g/L`, `brightener|concentration`, `mL/L`},
	{`assay temperature 23.5`, 2, `23\.5`, `unit`, `degC`},
	{`assay temperature 23.5L`, 2, `\bL\b|23\.5 ?L`, `temperature|volume`, `degC`},
	{`assay density 1.18g/L`, 2, `g/L`, `density`, `g/cm3|g/mL`},
	{`assay pH 1.2L`, 2, `\bL\b|1\.2 ?L`, `pH`, `pH|plain|number`},
	{`meter main 130`, 2, `130`, `unit`, `Ah`},
	{`meter main 130A`, 2, `\bA\b|130 ?A`, `current|charge`, `Ah`},
	{`anode hang slab-c 1.25`, 2, `1\.25`, `unit`, `kg|g\b`},
	{`anode hang slab-c 1.25L`, 2, `\bL\b|1\.25 ?L`, `volume|mass`, `kg|g\b`},
	{`treat carbon 200`, 2, `200`, `unit`, `g\b`},
	{`treat carbon 200Ah`, 2, `Ah`, `carbon|charge`, `g\b|mass`},
	{`treat dummy 12g`, 2, `\bg\b|12 ?g`, `dummy|charge|mass`, `Ah`},
	{`panel brightener 3.5`, 2, `3\.5`, `unit`, `mL/L`},
	{`panel brightener low --current 1`, 2, `\b1\b`, `--current`, `\bA\b`},
	{`panel brightener low --minutes 10A`, 2, `10 ?A|\bA\b`, `--minutes`, `min`},
	{`panel brightener low --trial 0.3g`, 2, `0\.3 ?g|\bg\b`, `--trial`, `mL`},
	{`level 58L -u 0.3Ah`, 2, `Ah`, `-u\b`, `\bL\b|volume`},
	{`level 58.2Q`, 2, `Q`, `unit`, `\bL\b`},
	{`level 58.2ML`, 2, `ML`, `unit`, `mL`},
	{`bath new tank-2 --recipe copper-electroforming --volume 60`, 2, `60`, `--volume`, `L`},
	{`bath new tank-2 --recipe copper-electroforming --volume 60kg`, 2, `kg`, `--volume`, `L`},
	{`material brightener 500`, 2, `500`, `unit`, `mL`},
	{`titrant EDTA --lot E9 --molarity '0.1 g/L'`, 2, `g/L`, `--molarity`, `mol/L`},
	{`bath set copper.high 55 because tried`, 2, `55`, `unit|copper`, `g/L`},
	{`bath set copper.high 55mL because tried`, 2, `mL`, `copper|concentration`, `g/L`},

	// Less than nothing, nothing, and numbers that are none.
	{`level -3L`, 2, `-3`, `negative|below zero`, `0|such as|volume`},
	{`level 0L`, 2, `\b0`, `level`, `more`},
	{`plate -3Ah`, 2, `-3`, `negative|below zero`, `charge|more|such as`},
	{`plate 0Ah`, 2, `\b0`, `charge`, `more`},
	{`plate --current -6A --hours 1`, 2, `-6`, `--current`, `more|0`},
	{`plate 22.5Ah --hours 0`, 2, `\b0`, `--hours`, `more`},
	{`add brightener 0mL`, 2, `\b0`, `brightener|amount`, `more`},
	{`add brightener -3mL`, 2, `-3`, `negative|below zero`, `bail|more|such as|void`},
	{`bail 0L`, 2, `\b0`, `bail|volume`, `more`},
	{`bail -3L`, 2, `-3`, `negative|below zero`, `more|such as|volume|0`},
	{`assay copper -3g/L`, 2, `-3`, `negative|below zero`, `0|more`},
	{`assay pH 40`, 1, `40`, `pH`, `14|between`},
	{`material brightener -500mL`, 2, `-500`, `below zero|negative`, `more|such as`},
	{`level NaN`, 2, `NaN`, `number`, `58|such as|L`},
	{`level 'Inf L'`, 2, `Inf`, `number`, `58|such as|L`},
	{`plate 1e400Ah`, 2, `1e400`, `number|digits`, `such as|digits|Ah`},
	{`level 1e-400L`, 2, `1e-400`, `number|digits`, `such as|digits|L`},
	{`level 0x3aL`, 2, `0x3a`, `number|unit`, `58|such as|L`},
	{`level 1_000L`, 2, `1_000`, `number|unit`, `1000|such as|L`},
	{`level ½L`, 2, `½`, `number`, `0\.5|such as|L`},
	{`level ٥٨L`, 2, `٥٨`, `number`, `0-9|58|such as`},
	{`level 58+-L`, 2, `58\+-`, `uncertainty|number|\+-`, `58|such as|\+-`},
	{`level 58+--1L`, 2, `-1`, `uncertainty|\+-`, `more|0|such as`},
	{`level 58+-1L -u 1L`, 2, `twice`, `-u|uncertainty`, `one|once|\+-`},

	// Times that are none, are yet to come, or were before anything.
	{`level 58L --at 2026-02-30`, 2, `2026-02-30`, `--at`, `28`},
	{`level 58L --at 2026-13-01`, 2, `2026-13-01`, `--at`, `month|01.*12|such as`},
	{`level 58L --at '2026-03-29 02:30'`, 2, `02:30`, `--at|2026-03-29`, `03:30|01:59|clock`},
	{`level 58L --at '2026-03-29T02:30'`, 2, `02:30`, `2026-03-29`, `after the change`},
	{`level 58L --at '2026-11-21 25:00'`, 2, `25:00`, `--at`, `23|24|such as`},
	{`level 58L --at 'the day after'`, 2, `the day after`, `--at`, `yesterday|2026-`},
	{`level 58L --at ''`, 2, `empty|value`, `--at`, `yesterday|2026-|--help`},
	{`level 58L --at 03/02/2026`, 2, `03/02/2026`, `--at`, `2026-0[23]-0[23]`},
	{`level 58L --at 02.03.2026`, 2, `02\.03\.2026`, `--at`, `2026-0[23]-0[23]`},
	{`level 58L --at 2027-01-05`, 1, `5 Jan 2027`, `--at`, `2026-01-05|happened|later|now|earlier`},
	{`plate 22.5Ah --at tomorrow`, 2, `tomorrow`, `--at|future`, `yesterday|happened|now`},
	{`level 58L --at 2020-01-01`, 1, `2020-01-01`, `before`, `2026-01-02`},
	{`state --at 2020-01-01`, 1, `2020-01-01`, `tank-1|before`, `2026-01-02`},
	{`state --known-on 2027-01-01`, 1, `2027-01-01`, `--known-on`, `past|future|now|leave`},
	{`state --known-on someday`, 2, `someday`, `--known-on`, `yesterday|2026-`},
	{`titrant EDTA --lot E9 --molarity 0.1M --expires 2027-13`, 2, `2027-13`, `--expires`, `2027-0|month`},
	{`material brightener 500mL --lot B13 --expires 31.12.2027`, 2, `31\.12\.2027`, `--expires`, `2027-`},
	{`titrant EDTA --lot E9 --molarity 0.1M --opened 2026-11-02 --expires 2026-10`, 2, `2026-10`, `--expires`, `--opened`},
	{`bath new tank-2 --recipe copper-electroforming --volume 60L --zone Wien`, 2, `Wien`, `zone`, `Europe/|Area/City`},

	// Names that nearly are one.
	{`level 58L --bath tank-2`, 1, `tank-2`, `bath`, `tank-1`},
	{`level 58L --bath tnak-1`, 1, `tnak-1`, `bath`, `tank-1`},
	{`state --bath ''`, 2, `value|empty`, `--bath`, `tank-1|BATH|--help`},
	{`assay nickel 5g/L`, 1, `nickel`, `tank-1|constituent`, `copper`},
	{`add brightner 12mL`, 1, `brightner`, `tank-1|material`, `brightener`},
	{`add ink 12mL`, 1, `ink`, `tank-1|material`, `brightener`},
	{`add brightener 12kg`, 1, `12 ?kg|kg`, `brightener`, `mL|volume`},
	{`material brightner 500mL`, 1, `brightner`, `recipe|material`, `brightener`},
	{`titrant ETDA --lot E9 --molarity 0.1M`, 1, `ETDA`, `titrat|method`, `EDTA`},
	{`add brightener 3mL --lot B21`, 1, `B21`, `brightener`, `B12`},
	{`add brightener 3mL --lot B10`, 1, `B10`, `expired on 2026-10-31`, `--force|new|B12`},
	{`add brightener 3mL --lot B9`, 1, `B9`, `brightener`, `--force|B12|left|material`},
	{`add brightener 600mL --lot B12`, 1, `600 ?mL`, `B12|tank-1|brightener`, `500|--force`},
	{`anode weigh slab-x 1kg`, 1, `slab-x`, `anode`, `slab-a`},
	{`anode pull slab-x 1kg`, 1, `slab-x`, `anode`, `slab-a`},
	{`anode pull slab-b 0.9kg`, 1, `slab-b`, `pulled|hang`, `slab-a|hang`},
	{`anode pull slab-b`, 1, `slab-b`, `pulled on 2026-02-20`, `slab-a`},
	{`anode weigh slab-b 0.9kg`, 1, `slab-b`, `pulled on 2026-02-20`, `slab-a`},
	{`anode hang mesh 1kg --form inert`, 2, `1 ?kg`, `inert.*mesh`, `leave`},
	{`anode hang mesh 1kg --form sphere`, 2, `sphere`, `form`, `slab.*nuggets`},
	{`anode hang slab-a 1.25kg`, 1, `slab-a`, `hangs|hung`, `pull|another name|weigh`},
	{`anode top-up slab-a 200g`, 1, `slab-a`, `slab`, `nuggets|--force`},
	{`anode top-up slab-x 1kg`, 1, `slab-x`, `hangs`, `slab-a`},
	{`anode top-up slab-a`, 2, `missing`, `mass|went in`, `0\.8 ?kg`},
	{`anode top-up slab-a 0kg`, 2, `\b0\b`, `mass`, `above|more`},
	{`anodes --from yesterday`, 2, `--from`, `--ledger`, `--ledger`},
	{`anodes --ledger --days 30`, 2, `--days`, `--ledger`, `leave one`},
	{`anodes slab-a`, 2, `slab-a`, `anodes`, `.`},
	{`anodes --days 0`, 2, `\b0\b`, `--days`, `1 to`},
	{`anode weigh slab-a 2kg`, 1, `\b2 ?kg`, `slab-a.*salt`, `1\.25|--force`},
	{`bath show tank-9`, 2, `tank-9`, `bath`, `--bath|tank-1`},
	{`bath new tank-1 --recipe copper-electroforming --volume 60L`, 1, `tank-1`, `bath`, `another name|there is`},
	{`bath new '' --recipe copper-electroforming --volume 60L`, 2, `empty`, `after steadybath bath new`, `type what is meant`},
	{`bath new tank-2 --recipe coper-electroforming --volume 60L`, 1, `coper-electroforming`, `recipe`, `copper-electroforming`},
	{`bath new tank-2 --volume 60L`, 2, `missing`, `--recipe`, `copper-electroforming|recipe list`},
	{`recipe show cooper-bright`, 1, `cooper-bright`, `recipe`, `copper-bright`},
	{`fill 58L --with 'nickel 5 g/L'`, 1, `nickel`, `tank-1|constituent|--with`, `copper`},
	{`fill 58L --with copper`, 2, `copper`, `--with`, `copper 50 ?g/L|amount|such as`},
	{`fill 58L --origin bucket`, 2, `bucket`, `--origin`, `make-up.*bought.*running`},

	// Settings and recipes that contradict themselves.
	{`bath set copper.low 60 g/L because tried`, 1, `60`, `copper`, `54|high`},
	{`bath set copper.high 40 g/L because tried`, 1, `40`, `copper`, `46|low`},
	{`bath set coper.high 55 g/L because tried`, 1, `coper`, `tank-1|coper.high`, `copper`},
	{`bath set copper.hihg 55 g/L because tried`, 1, `hihg`, `copper`, `high`},
	{`bath set copper.high 55 g/L`, 2, `missing|why|reason`, `because|reason`, `because`},
	{`bath set copper.high NaN because tried`, 2, `NaN`, `number`, `55|such as|g/L`},
	{`bath new tank-2 --recipe {inert} --volume 60L`, 1, `chloride`, `inert`, `chlorine|leave|soluble`},
	{`recipe check {inert}`, 1, `chloride`, `inert`, `chlorine|leave|soluble`},
	{`recipe check {nolow}`, 1, `56`, `line 67.*low`, `54`},
	{`recipe check {typo}`, 1, `targte`, `line \d+|:\d+`, `target`},
	{`recipe check {broken}`, 1, `constituent`, `line \d+|:\d+`, `TOML|\]`},
	{`recipe check {empty}`, 1, `empty`, `recipe`, `recipe show|title|metal`},
	{`recipe check {bytes}`, 1, `UTF-8`, `line 1|:1`, `UTF-8`},
	{`recipe check /nowhere/my.toml`, 1, `/nowhere/my\.toml`, `file|recipe`, `recipe|file|path`},

	// Facts that the facts before them do not allow.
	{`meter main 110Ah`, 1, `110 ?Ah`, `main`, `--reset`},
	{`meter mian 130Ah`, 1, `mian`, `meter|supply`, `main|--force`},
	{`void 99 because wrong`, 1, `99`, `tank-1|fact`, `history|14`},
	{`void 0 because wrong`, 1, `\b0`, `number|fact`, `1|history`},
	{`void 12 because wrong`, 1, `12`, `13|voided`, `13|void 13`},
	{`void 9 because wrong`, 1, `\b9\b`, `10|voided`, `10|void 10`},
	{`void 1 because wrong`, 1, `beginning`, `bath`, `bath new|stay|begins|another`},
	{`bail 80L`, 1, `80 ?L`, `tank-1|bath|tank`, `57|5[0-9]|--force`},
	{`level 580L`, 1, `580 ?L`, `tank|60`, `58|60`},
	{`assay copper 500g/L`, 1, `500 ?g/L`, `copper`, `50|--force`},
	{`plate 22500Ah`, 1, `22500`, `Ah|charge|plate`, `22\.5|--force`},
	{`plate 22.5Ah --hours 4 --area 0.1dm2`, 1, `A/dm2`, `tank-1|area|density|limit`, `4 ?A/dm2|--force`},
	{`dose --target copper=500`, 1, `500`, `copper`, `4[0-9]|5[0-9]|window|dissolve|hold`},
	{`dose --target copper=fifty`, 2, `fifty`, `--target`, `copper=52|number`},
	{`forecast --days 0`, 2, `\b0\b`, `--days`, `1 to 730`},
	{`forecast --days fortnight`, 2, `fortnight`, `--days`, `number|such as`},
	{`forecast --seed lucky`, 2, `lucky`, `--seed`, `whole number`},
	{`forecast --job 40Ah`, 2, `40Ah`, `--job`, `tomorrow|next week`},
	{`forecast --job '40 tomorrow'`, 2, `40 tomorrow`, `--job`, `40Ah`},
	{`forecast --job '40L tomorrow'`, 2, `40L`, `--job`, `Ah`},
	{`forecast --job 'three 40Ah tomorrow'`, 2, `three`, `--job`, `3 x 40Ah`},
	{`forecast --job '40Ah yesterday'`, 1, `yesterday`, `--job`, `to come`},
	{`forecast --job '40Ah on 2026-02-30'`, 2, `2026-02-30`, `--job`, `2026-12-01`},
	{`forecast tank-1`, 2, `tank-1`, `forecast`, `--bath|--help`},
	{`dose --only ink`, 1, `ink`, `--only|material`, `brightener|sulfuric`},
	{`level 58L --id 12`, 2, `12`, `--id`, `UUID|printed|prints`},

	// Bytes that a terminal or a database would choke on.
	{"note 'a\x00b'", 2, `NUL|zero|control|character|U\+0000`, `"a`, `without|leave|text|--help`},
	{"note 'a\xff\xfeb'", 2, `UTF-8`, `note|text|word`, `UTF-8`},
	{"level '\x1b[31m58L'", 2, `58L`, `number|level|volume`, `58|such as|L`},
	{"level 58L --bath '\x1b]0;x\atank-1'", 1, `tank-1`, `no bath`, `tank-1`},
	{"titrate 'cop\u202eper' 16.35mL", 1, `cop`, `tank-1|constituent|character`, `copper`},
	{"add 'brightener'';drop table facts;--' 3mL", 1, `drop table`, `material|tank-1`, `brightener`},
	{"bath new 'tank\x00' --recipe copper-electroforming --volume 60L", 2, `tank`, `U\+0000|control`, `--help|letters|character`},

	// A plating run before it is run.
	{`plan`, 2, `missing`, `area`, `--area 5\.5dm2`},
	{`plan tank-1`, 2, `tank-1`, `plan`, `--bath`},
	{`plan --area 0dm2 --density 1A/dm2 --time 4h`, 2, `0 ?dm2`, `area`, `5\.5`},
	{`plan --area 5.5 --density 1A/dm2 --time 4h`, 2, `5\.5`, `--area`, `dm2`},
	{`plan --area -5.5dm2 --density 1A/dm2 --time 4h`, 2, `-5\.5`, `--area`, `0`},
	{`plan --area 5.5kg --density 1A/dm2 --time 4h`, 2, `5\.5 ?kg`, `--area`, `dm2`},
	{`plan --area 5.5furlong --density 1A/dm2 --time 4h`, 2, `furlong`, `--area`, `dm2`},
	{`plan --area 5.5dm2`, 2, `too little`, `--time`, `--thickness`},
	{`plan --area 5.5dm2 --time 4h`, 2, `too little`, `--density`, `--thickness`},
	{`plan --area 5.5dm2 --density 1A/dm2 --current 5A --time 4h`, 2, `5 A on 5\.5 dm2`, `current density`, `leave one`},
	{`plan --area 5.5dm2 --thickness 20um --mass 9g --time 4h`, 2, `thickness and a mass`, `area`, `leave one`},
	{`plan --area 5.5dm2 --density 900A/dm2 --time 4h`, 2, `900 A/dm2`, `recipe`, `4 A/dm2|point`},
	{`plan --area 5.5dm2 --density 0A/dm2 --time 4h`, 2, `0 A/dm2`, `--density`, `more than 0`},
	{`plan --area 5.5dm2 --density 1.5A --time 4h`, 2, `1\.5 ?A`, `--density`, `A/dm2`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4`, 2, `"4"`, `--time`, `h`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 30min --ramp 1h`, 2, `1 h`, `ramp`, `30 min`},
	{`plan --area 5.5dm2 --density 1A/dm2 --thickness 3um --ramp 1h`, 2, `3 um`, `ramp of 1 h`, `shorter`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4h --ramp-from 2A`, 2, `no ramp`, `current`, `30 min`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4h --ramp 1h --ramp-from 9A`, 2, `9 A`, `ramp`, `5\.5 A`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4h --ramp 1h --ramp-from 3`, 2, `"3"`, `--ramp-from`, `3A`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4h --ramp 1h --ramp-from '120 %'`, 2, `120 %`, `--ramp-from`, `up|all`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4h --supply 0A`, 2, `0 A`, `--supply`, `more than 0`},
	{`plan --area 5.5dm2 --density 0.001A/dm2 --thickness 200um`, 2, `0\.001 A/dm2`, `a run of`, `higher`},
	{`plan --part bracket --density 1A/dm2 --time 4h`, 2, `bracket`, `--part`, `bracket 3\.2dm2`},
	{`plan --part 'bracket 3.2' --density 1A/dm2 --time 4h`, 2, `3\.2`, `--part`, `dm2`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4h --charge 22Ah`, 2, `--charge`, `--record`, `--record`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4h --record`, 1, `not said`, `supply`, `--as-planned.*--charge`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4h --record --as-planned --charge 22Ah`, 2, `--charge`, `--as-planned`, `leave one`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4h --record --charge 22`, 2, `"22"`, `--charge`, `Ah`},
	{`plan --area 5.5dm2 --density 1A/dm2 --time 4h --record --as-planned --at 2026-12-24`, 1, `future`, `--at`, `now`},
	{`plan --area 5.5dm2 --density 1.5A/dm2 --time 4h --thickness 200um --record --as-planned`, 1, `200 um`, `impossible`, `--charge`},

	// What the charge cannot have deposited: 22.5 Ah are at most 26.7 g, 54 um on 5.5 dm2 (Faraday).
	{`plate 22.5Ah --area 5.5dm2 --gain 40g`, 1, `40 g`, `22\.5 Ah`, `26\.7 g`},
	{`plate 22.5Ah --area 5.5dm2 --thickness 120um`, 1, `120 um`, `22\.5 Ah on 5\.5 dm2`, `54\.4 um`},
	{`plate 22.5Ah --area 5.5dm2 --thickness 12um`, 1, `12 um`, `22\.5 Ah on 5\.5 dm2`, `area`},
	{`plate 22.5Ah --area 5.5dm2 --gain 12g`, 1, `12 g`, `22\.5 Ah`, `weighed`},
	{`plate 22.5Ah --thickness 50um`, 2, `--thickness`, `area`, `--area 5\.5dm2`},

	// Programs get the same as one object.
	{`level 58.2 --json`, 2, `58\.2`, `unit`, `L`},
	{`titrat copper 16.35mL --json`, 2, `titrat`, `command`, `titrate`},
	{`state --json --at 2026-02-30`, 2, `2026-02-30`, `--at`, `28`},
	{`add brightner 12mL --json`, 1, `brightner`, `tank-1|material`, `brightener`},
	{`void 99 because wrong --json`, 1, `99`, `tank-1|fact`, `history|14`},
	{`meter main 110Ah --json`, 1, `110 ?Ah`, `main`, `--reset`},
	{`bath set copper.low 60 g/L because tried --json`, 1, `60`, `copper`, `54|high`},
}

// typed takes a line apart as a shell would that knows single quotes only.
func typed(line string, file func(string) string) []string {
	var words []string
	var word strings.Builder
	inWord, quoted := false, false
	for i := 0; i < len(line); i++ {
		switch c := line[i]; {
		case c == '\'':
			quoted, inWord = !quoted, true
		case c == ' ' && !quoted:
			if inWord {
				words = append(words, word.String())
			}
			word.Reset()
			inWord = false
		default:
			inWord = true
			word.WriteByte(c)
		}
	}
	if inWord {
		words = append(words, word.String())
	}
	for i, w := range words {
		if name, ok := strings.CutPrefix(w, "{"); ok {
			words[i] = file(strings.TrimSuffix(name, "}"))
		}
	}
	return words
}

func TestWrongEntries(t *testing.T) {
	bed := newScriptBed(t)
	database, err := bed.create()
	require.NoError(t, err)
	dsn := bed.dsn(database, bed.server.Person())
	dir := t.TempDir()
	shipped, err := os.ReadFile("../../chem/recipe/copper-electroforming.toml")
	require.NoError(t, err)
	for name, make := range wrongFiles {
		text := make(string(shipped))
		assert.False(t, text == string(shipped), "%s is no wrong file", name)
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	env := map[string]string{
		"STEADYBATH_DATABASE": dsn,
		"STEADYBATH_HOME":     filepath.Join(dir, "no private database here"),
		"STEADYBATH_CLOCK":    "2026-11-22T09:00:00Z",
		"TZ":                  "Pacific/Chatham",
	}
	answer := func(line string) (status int, stdout, stderr string) {
		var out, bad bytes.Buffer
		args := typed(line, func(name string) string {
			require.Contains(t, wrongFiles, name)
			return filepath.Join(dir, name)
		})
		status = run(t.Context(), args, strings.NewReader(""), &out, &bad, func(k string) string { return env[k] })
		return status, out.String(), bad.String()
	}
	for _, line := range wrongShop {
		status, _, stderr := answer(line)
		require.Zero(t, status, "%s: %s", line, stderr)
	}
	conn, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	heads := func() string {
		var all string
		require.NoError(t, conn.QueryRow(t.Context(),
			"select string_agg(bath || ' ' || number || ' ' || hash, ', ' order by bath, number) from steadybath.facts").Scan(&all))
		return all
	}
	seen := map[string]bool{}
	for _, c := range wrongEntries {
		require.False(t, seen[c.line], "%q stands twice", c.line)
		seen[c.line] = true
		t.Run(fmt.Sprintf("%q", c.line), func(t *testing.T) {
			before := heads()
			status, stdout, stderr := answer(c.line)
			require.Equal(t, before, heads(), "something was entered")
			require.Empty(t, stdout)
			assert.Equal(t, c.status, status)
			what, hint := wrongAnswer(t, stderr, c, status)
			assert.Regexp(t, regexp.MustCompile(c.value), what, "the value")
			assert.Regexp(t, regexp.MustCompile(c.place), what, "the place")
			assert.Regexp(t, regexp.MustCompile(c.remedy), what+"\n"+hint, "the remedy")
			if t.Failed() {
				t.Logf("\n%s", stderr)
			}
		})
	}
	assert.GreaterOrEqual(t, len(seen), 160)
}

// wrongAnswer takes an answer apart, which is one sentence and one hint.
func wrongAnswer(t *testing.T, stderr string, c wrongEntry, status int) (what, hint string) {
	lines := strings.Split(strings.TrimSuffix(stderr, "\n"), "\n")
	if strings.Contains(c.line, "--json") && strings.HasPrefix(stderr, "{") {
		var said struct {
			Error, Hint string
			Status      int
		}
		require.Len(t, lines, 1)
		require.NoError(t, json.Unmarshal([]byte(lines[0]), &said))
		assert.Equal(t, status, said.Status)
		what, hint = said.Error, said.Hint
	} else {
		require.NotContains(t, c.line, "--json ")
		require.False(t, strings.HasSuffix(c.line, "--json"))
		require.Len(t, lines, 2, "one sentence and one hint")
		var isWhat, isHint bool
		what, isWhat = strings.CutPrefix(lines[0], "steadybath: ")
		hint, isHint = strings.CutPrefix(lines[1], "hint: ")
		require.True(t, isWhat && isHint, stderr)
	}
	for _, s := range []string{what, hint} {
		if fault := badSentence(s); fault != "" {
			t.Errorf("the answer %s: %q", fault, s)
		}
		assert.NotRegexp(t, `panic|\.go:\d|runtime error|\*errors\.|pgx|SQLSTATE`, s)
	}
	return what, hint
}
