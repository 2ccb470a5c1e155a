package migrations

import (
	"embed"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"strings"
)

//go:embed *.sql
var files embed.FS

// Migration is one numbered step of the schema.
type Migration struct {
	Version int    // from 1 without gaps
	Name    string // the file's name
	SQL     string // statements, run in one transaction
}

// All returns the migrations in order. An error means that a file of this
// folder is misnamed or that a number is missing or doubled.
func All() ([]Migration, error) { return read(files) }

func read(fsys fs.FS) ([]Migration, error) {
	names, err := fs.Glob(fsys, "*.sql")
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	var all []Migration
	for i, name := range names {
		digits, _, _ := strings.Cut(name, "_")
		version, err := strconv.Atoi(digits)
		if err != nil || len(digits) != 4 {
			return nil, fmt.Errorf("migration %s: the name must begin with four digits and an underscore", name)
		}
		if version != i+1 {
			return nil, fmt.Errorf("migration %s: number %04d was expected", name, i+1)
		}
		text, err := fs.ReadFile(fsys, name)
		if err != nil {
			return nil, fmt.Errorf("migration %s: %w", name, err)
		}
		all = append(all, Migration{Version: version, Name: name, SQL: string(text)})
	}
	return all, nil
}
