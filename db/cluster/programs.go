package cluster

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"sort"
	"strconv"
	"strings"
)

// oldestMajor is the oldest version that a new cluster is made with: 14 is the
// oldest that the PostgreSQL project still maintains (release calendar on
// postgresql.org, from memory), and the first whose initdb knows
// --no-instructions.
const oldestMajor = 14

// programFolders are where the packages of the common systems put the server's
// programs, which most of them keep out of PATH.
var programFolders = []string{
	"/usr/lib/postgresql/*/bin",         // Debian, Ubuntu
	"/usr/pgsql-*/bin",                  // the project's own packages for Fedora and its kin
	"/usr/lib/postgresql*/bin",          // openSUSE, Gentoo, Alpine
	"/usr/libexec/postgresql*",          // Alpine
	"/opt/homebrew/opt/postgresql*/bin", // macOS on Apple silicon
	"/usr/local/opt/postgresql*/bin",    // macOS on Intel
	"/home/linuxbrew/.linuxbrew/opt/postgresql*/bin",
	"/usr/local/pgsql/bin", // PostgreSQL's own default
}

// programs is one installed PostgreSQL.
type programs struct {
	bin   string // folder
	major int
}

func (g programs) path(name string) string { return filepath.Join(g.bin, name) }

// missing returns those of the named programs that are not in the folder.
func (g programs) missing(names ...string) []string {
	var gone []string
	for _, name := range names {
		if !executable(g.path(name)) {
			gone = append(gone, name)
		}
	}
	return gone
}

func executable(path string) bool {
	fi, err := os.Stat(path)
	return err == nil && fi.Mode().IsRegular() && fi.Mode().Perm()&0o111 != 0
}

// installed returns every PostgreSQL server on the machine that can be found,
// those of STEADYBATH_PGBIN first, then the newest first.
func (c Config) installed(ctx context.Context) ([]programs, error) {
	var named, found []programs
	seen := map[string]bool{}
	add := func(list *[]programs, dir string) bool {
		if dir == "" || !executable(filepath.Join(dir, "postgres")) {
			return false
		}
		// A link such as /usr/local/bin/postgres leads to the folder that holds
		// the rest, unless the distribution put them all beside the link.
		if real, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres")); err == nil {
			if at := filepath.Dir(real); executable(filepath.Join(at, "initdb")) {
				dir = at
			}
		}
		if seen[dir] {
			return true
		}
		seen[dir] = true
		major, err := majorOf(ctx, filepath.Join(dir, "postgres"))
		if err != nil {
			return false
		}
		*list = append(*list, programs{bin: dir, major: major})
		return true
	}
	for _, dir := range filepath.SplitList(c.Env("STEADYBATH_PGBIN")) {
		if !add(&named, dir) {
			return nil, &Error{
				What:  fmt.Sprintf("STEADYBATH_PGBIN names %q, where there is no postgres that runs", dir),
				Help:  "name the folder that holds postgres and initdb, or unset it",
				Cause: ErrNoPrograms,
			}
		}
	}
	for _, dir := range filepath.SplitList(c.Env("PATH")) {
		add(&found, dir)
	}
	for _, pattern := range c.patterns {
		dirs, _ := filepath.Glob(pattern)
		for _, dir := range dirs {
			add(&found, dir)
		}
	}
	newest := func(list []programs) {
		sort.SliceStable(list, func(i, j int) bool { return list[i].major > list[j].major })
	}
	newest(named)
	newest(found)
	return append(named, found...), nil
}

var versionLine = regexp.MustCompile(`\(PostgreSQL\) (\d+)`)

func majorOf(ctx context.Context, postgres string) (int, error) {
	out, err := exec.CommandContext(ctx, postgres, "--version").Output()
	if err != nil {
		return 0, err
	}
	m := versionLine.FindSubmatch(out)
	if m == nil {
		return 0, fmt.Errorf("%s --version answers %q", postgres, out)
	}
	return strconv.Atoi(string(m[1]))
}

// newest returns the programs for a new cluster: those of STEADYBATH_PGBIN
// where it is set, else the newest.
func (c Config) newest(ctx context.Context) (programs, error) {
	all, err := c.installed(ctx)
	if err != nil {
		return programs{}, err
	}
	for _, g := range all {
		if g.major >= oldestMajor && len(g.missing("initdb")) == 0 {
			return g, nil
		}
	}
	what := "no PostgreSQL server is installed on this machine (looked in PATH and where its packages put it)"
	if len(all) > 0 {
		what = fmt.Sprintf("only %s installed on this machine, and a private database needs PostgreSQL %d or newer with initdb", listMajors(all), oldestMajor)
	}
	return programs{}, &Error{What: what, Help: installHint(0), Cause: ErrNoPrograms}
}

// matching returns the programs of one major version.
func (c Config) matching(ctx context.Context, major int) (programs, error) {
	// The usual folder of the usual package is asked first and alone: running
	// every installed postgres for its version costs a cold start milliseconds.
	if c.Env("STEADYBATH_PGBIN") == "" {
		for _, form := range []string{"/usr/lib/postgresql/%d/bin", "/usr/pgsql-%d/bin", "/opt/homebrew/opt/postgresql@%d/bin", "/usr/local/opt/postgresql@%d/bin"} {
			g := programs{bin: fmt.Sprintf(form, major), major: major}
			if slices.Contains(c.patterns, programFolders[0]) && executable(g.path("postgres")) {
				return g, nil
			}
		}
	}
	all, err := c.installed(ctx)
	if err != nil {
		return programs{}, err
	}
	for _, g := range all {
		if g.major == major {
			return g, nil
		}
	}
	return programs{}, &Error{Help: installHint(major), Cause: ErrOtherVersion, What: listMajors(all)}
}

// listMajors writes the installed versions for a sentence: "PostgreSQL 17 and 15 are".
func listMajors(all []programs) string {
	var majors []string
	for _, g := range all {
		if m := strconv.Itoa(g.major); !slices.Contains(majors, m) {
			majors = append(majors, m)
		}
	}
	switch len(majors) {
	case 0:
		return "no PostgreSQL is"
	case 1:
		return "PostgreSQL " + majors[0] + " is"
	}
	return "PostgreSQL " + strings.Join(majors[:len(majors)-1], ", ") + " and " + majors[len(majors)-1] + " are"
}

// installHint says which package to install; major 0 stands for any.
func installHint(major int) string {
	return hintFor(runtime.GOOS, osRelease("/etc/os-release"), major)
}

func hintFor(goos, family string, major int) string {
	version := func(sep string) string {
		if major == 0 {
			return ""
		}
		return sep + strconv.Itoa(major)
	}
	switch {
	case goos == "darwin":
		return "install it with: brew install postgresql@" + or(version(""), "17")
	case strings.Contains(family, "debian") || strings.Contains(family, "ubuntu"):
		return "install package postgresql" + version("-") + ", but first put the line create_main_cluster = false into /etc/postgresql-common/createcluster.d/steadybath.conf, so that no system-wide server is started"
	case strings.Contains(family, "fedora") || strings.Contains(family, "rhel"):
		return "install it with: sudo dnf install postgresql" + version("") + "-server"
	case strings.Contains(family, "suse"):
		return "install it with: sudo zypper install postgresql" + version("") + "-server"
	case strings.Contains(family, "alpine"):
		return "install it with: apk add postgresql" + or(version(""), "17")
	case strings.Contains(family, "arch"):
		return "install it with: sudo pacman -S postgresql"
	}
	return "install the PostgreSQL server" + version(" ") + " from your system's packages, or name the folder of its programs in STEADYBATH_PGBIN"
}

// osRelease returns ID and ID_LIKE of the os-release file, blank-separated.
func osRelease(path string) string {
	text, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	var ids []string
	for line := range strings.Lines(string(text)) {
		if key, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && (key == "ID" || key == "ID_LIKE") {
			ids = append(ids, strings.Trim(value, `"'`))
		}
	}
	return strings.Join(ids, " ")
}
