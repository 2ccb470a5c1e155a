package echarts

import (
	"embed"
	"errors"
	"io/fs"
	"strings"
)

// The whole folder is embedded, not the script itself: a pattern that names a missing file would break `go build`, `go vet`
// and `go install` for everyone without npm.
//
//go:embed asset
var asset embed.FS

// ErrNotBuiltIn says that this copy of the program was built before the script was fetched, and what to do about it.
var ErrNotBuiltIn = errors.New("the chart script is not built in: run `make` where npm is at hand, then write the page again")

// Script returns the text of one JavaScript file: Apache ECharts (the `common` build), preceded by a comment with the notices
// that its licence and those of the parts inside it ask to be passed on with every copy. It contains no "</script" and no
// carriage return, so that it may stand inside a page as it is and be hashed as it is.
// It returns ErrNotBuiltIn when the script was absent at build time, and another error when it could not stand inside a page.
func Script() (string, error) { return script(asset) }

func script(files fs.FS) (string, error) {
	code, err := fs.ReadFile(files, "asset/echarts.js")
	if errors.Is(err, fs.ErrNotExist) {
		return "", ErrNotBuiltIn
	}
	if err != nil {
		return "", err
	}
	notice, err := fs.ReadFile(files, "asset/NOTICE")
	if err != nil {
		return "", err
	}
	// A browser reads CR LF as LF before it compares a script with its hash.
	text := strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace("/*!\n" + string(notice) + "*/\n" + string(code))
	if strings.Contains(strings.ToLower(text), "</script") || strings.Contains(text, "<!--") {
		return "", errors.New("the chart script cannot stand inside a page: it contains the mark that ends a script")
	}
	return text, nil
}
