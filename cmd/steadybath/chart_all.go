package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"
	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"steadybath/reports"
)

// indexName is the page over all baths in the folder of chart --all.
const indexName = "index.html"

// usualFolder is where chart --all writes where --output is not given.
const usualFolder = "pages"

type writtenPage struct {
	Bath string `json:"bath"`
	Page string `json:"page"`
}

// chartAll writes a page for every bath and the index over them.
func (s *session) chartAll(c *cli.Context) error {
	folder := c.String("output")
	if folder == "" {
		folder = usualFolder
	}
	sys, err := units(c)
	if err != nil {
		return err
	}
	names, err := s.bathNames(c)
	if err != nil {
		return err
	}
	if len(names) == 0 {
		_, err := s.bathName(c)
		return err
	}
	now, err := s.now()
	if err != nil {
		return err
	}
	index := reports.Index{Made: now}
	var pages []newFile
	written := []writtenPage{}
	for i, file := range pageNames(names) {
		b, err := s.bathNamed(c, names[i])
		if err != nil {
			return err
		}
		a, page, err := s.page(c, b, sys)
		if err != nil {
			return err
		}
		if index.Zone == nil {
			index.Zone = b.zone
		}
		until := a.e.At.AddDate(0, 0, dueDays)
		index.Baths = append(index.Baths, reports.IndexBathOf(a.e, reports.ThingsDue(a.e, a.plan, a.forecast, sys), a.forecast, until, file, b.zone, sys))
		pages = append(pages, newFile{file, func(f *os.File) error { return reports.WritePage(f, page) }})
		written = append(written, writtenPage{b.Name, filepath.Join(folder, file)})
	}
	// The index comes last: until then nothing links to what is new.
	pages = append(pages, newFile{indexName, func(f *os.File) error { return reports.WriteIndex(f, index) }})
	if err := writeFolder(folder, pages); err != nil {
		return err
	}
	path := filepath.Join(folder, indexName)
	if c.Bool("json") {
		err = s.printJSON(struct {
			Index string        `json:"index"`
			Pages []writtenPage `json:"pages"`
		}{path, written})
	} else {
		err = say(s.stdout, "%s", path)
	}
	if err == nil && c.Bool("open") {
		s.openPage(c, path)
	}
	return err
}

// pageNames gives each bath a file of its own beside the index, also where a file
// system takes large and small letters, or the two ways to write é, for the same.
func pageNames(baths []string) []string {
	same := func(name string) string { return cases.Fold().String(norm.NFKC.String(name)) }
	taken := map[string]bool{same(indexName): true}
	out := make([]string, len(baths))
	for i, bath := range baths {
		name := fileName(bath)
		out[i] = name + ".html"
		for n := 2; taken[same(out[i])]; n++ {
			out[i] = fmt.Sprintf("%s-%d.html", name, n)
		}
		taken[same(out[i])] = true
	}
	return out
}

// newFile is a file to be written into a folder.
type newFile struct {
	name  string
	write func(*os.File) error
}

// writeFolder writes all files into a folder, in their order, or changes nothing.
// They are written whole beside their places first; what lay there before is kept
// until the last one is in place, and goes back where one cannot be.
func writeFolder(folder string, all []newFile) (err error) {
	cannot := func(err error) error {
		return refused("--output names another folder", "cannot write into %s: %v", folder, withoutPath(err))
	}
	info, err := os.Stat(folder)
	isNew := errors.Is(err, os.ErrNotExist)
	switch {
	case err == nil && !info.IsDir():
		return refused("--output names a folder with --all, such as --output "+usualFolder, "%s is a file, and the pages of all baths need a folder", folder)
	case err != nil && !isNew:
		return cannot(err)
	}
	beside := folder // on the same disk as what is there
	if isNew {
		beside = filepath.Dir(filepath.Clean(folder))
	}
	made, err := os.MkdirTemp(beside, ".steadybath-*")
	if err != nil {
		return cannot(err)
	}
	defer os.RemoveAll(made)
	for _, one := range all {
		if err := writeWhole(filepath.Join(made, one.name), one.write); err != nil {
			return err
		}
	}
	if isNew {
		if err := os.Chmod(made, 0o755); err != nil {
			return cannot(err)
		}
		if err := os.Rename(made, folder); err != nil {
			return cannot(err)
		}
		return nil
	}
	kept, err := os.MkdirTemp(made, "before-*")
	if err != nil {
		return cannot(err)
	}
	var undo []func() error
	defer func() {
		if err == nil {
			return
		}
		for i := len(undo) - 1; i >= 0; i-- {
			if back := undo[i](); back != nil {
				err = refused("write the pages again", "%v; and a page that was there before was lost: %v", err, withoutPath(back))
			}
		}
	}()
	for _, one := range all {
		place, before := filepath.Join(folder, one.name), filepath.Join(kept, one.name)
		info, err := os.Lstat(place)
		if err == nil && info.IsDir() {
			return refused("--output names another folder", "cannot write %s: it is a folder", place)
		}
		if err == nil {
			if err := os.Rename(place, before); err != nil {
				return cannot(err)
			}
			undo = append(undo, func() error { return os.Rename(before, place) })
		} else if !errors.Is(err, os.ErrNotExist) {
			return cannot(err)
		} else {
			undo = append(undo, func() error {
				if err := os.Remove(place); !errors.Is(err, os.ErrNotExist) {
					return err
				}
				return nil
			})
		}
		if err := os.Rename(filepath.Join(made, one.name), place); err != nil {
			return cannot(err)
		}
	}
	return nil
}

// fileName makes a bath's name safe as the name of a file.
func fileName(name string) string {
	clean := strings.Map(func(r rune) rune {
		if r == '/' || r == '\\' || r < 0x20 || strings.ContainsRune(`<>:"|?*`, r) {
			return '_'
		}
		return r
	}, name)
	clean = strings.TrimLeft(clean, ".-")
	// A file system takes 255 bytes; what is added to the name needs some.
	const most = 200
	for i := range clean {
		if i > most {
			clean = clean[:i]
			break
		}
	}
	if clean == "" {
		return "bath"
	}
	return clean
}
