package recipe

import (
	"embed"
	"slices"
	"strings"
)

//go:embed *.toml
var files embed.FS

// Shipped lists the short names of the recipes that come with the tool, sorted.
func Shipped() []string {
	entries, err := files.ReadDir(".")
	if err != nil {
		panic("recipe: the embedded folder cannot be read: " + err.Error()) // it is part of the program
	}
	var out []string
	for _, e := range entries {
		out = append(out, strings.TrimSuffix(e.Name(), ".toml"))
	}
	slices.Sort(out)
	return out
}

// ShippedText returns the text of a shipped recipe, found by its short name or
// by its title, in any case; false where there is none.
func ShippedText(name string) ([]byte, bool) {
	name = clean(name)
	for _, short := range Shipped() {
		text, err := files.ReadFile(short + ".toml")
		if err != nil {
			panic("recipe: " + short + " is listed but cannot be read: " + err.Error())
		}
		if strings.EqualFold(name, short) || strings.EqualFold(name, short+".toml") || strings.EqualFold(name, titleOf(text)) {
			return text, true
		}
	}
	return nil, false
}

// titleOf reads the title alone.
func titleOf(text []byte) string {
	root, _, ok := grow(text)
	if !ok {
		return ""
	}
	return clean(textOf(root, "title"))
}
