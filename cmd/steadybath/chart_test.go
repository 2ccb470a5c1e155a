package main

import (
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An address that is taken apart again as RFC 3986 (section 3) has it names the file
// that was meant, whatever its name holds.
func TestFileURLNamesTheFile(t *testing.T) {
	for _, path := range []string{"/a/b.html", "/tank #1 100%.html", "/a?b&c=d.html", "/日本の槽 é.html", `/"'<b>%20;.html`, "/a:b/c.html"} {
		u, err := url.Parse(fileURL(path))
		require.NoError(t, err, path)
		assert.Equal(t, "file", u.Scheme)
		assert.Empty(t, u.Host)
		assert.Empty(t, u.RawQuery)
		assert.Empty(t, u.Fragment)
		assert.Equal(t, path, u.Path)
		assert.NotContains(t, fileURL(path), " ")
	}
	assert.Equal(t, "file:///C:/a%20b.html", fileURL("C:/a b.html"))
}

func TestOpeners(t *testing.T) {
	said := func(system, browser string) string {
		var all []string
		for _, words := range openers(system, browser, "file:///x") {
			all = append(all, strings.Join(words, " "))
		}
		return strings.Join(all, "; ")
	}
	assert.Equal(t, "xdg-open file:///x; x-www-browser file:///x", said("linux", ""))
	assert.Equal(t, "open file:///x", said("darwin", ""))
	assert.Equal(t, "rundll32 url.dll,FileProtocolHandler file:///x", said("windows", `C:\browser.exe`))
	assert.Equal(t, "firefox file:///x; w3m -o file:///x -T; open file:///x", said("darwin", "firefox:: w3m -o %s -T "))
}

func TestPageNamesAreOnePerBath(t *testing.T) {
	long := strings.Repeat("é", 300)
	baths := []string{"index", "INDEX", "a/b", "a?b", "A:B", "a_b-2", "é", "e\u0301", "../../etc/passwd", "...", "-", long, long + "x"}
	names := pageNames(baths)
	assert.Equal(t, []string{"index-2.html", "INDEX-3.html", "a_b.html", "a_b-2.html", "A_B-3.html", "a_b-2-2.html", "é.html", "e\u0301-2.html"}, names[:8])
	folder := t.TempDir()
	for i, name := range names {
		assert.Equal(t, filepath.Base(name), name, baths[i])
		assert.LessOrEqual(t, len(name), 255, "what a file system takes")
		f, err := os.OpenFile(filepath.Join(folder, name), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		require.NoError(t, err, baths[i])
		require.NoError(t, f.Close())
	}
}
