package cluster

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
)

// DefaultHome returns the tool's data folder for the person whose environment
// is given: STEADYBATH_HOME, else steadybath under XDG_DATA_HOME, else
// .local/share/steadybath under HOME. It makes nothing.
func DefaultHome(env func(string) string) (string, error) {
	if home := env("STEADYBATH_HOME"); home != "" {
		return filepath.Abs(home)
	}
	// The XDG base directory specification says to ignore a relative path here.
	if data := env("XDG_DATA_HOME"); filepath.IsAbs(data) {
		return filepath.Join(data, "steadybath"), nil
	}
	home := env("HOME")
	if !filepath.IsAbs(home) {
		return "", &Error{
			What: "HOME is not set to a folder, so there is no place for the records",
			Help: "say where they belong with STEADYBATH_HOME, or name a database with --database",
		}
	}
	return filepath.Join(home, ".local", "share", "steadybath"), nil
}

// place is where one private cluster lies and who runs it. base holds the data
// folder, the socket folder, the lock, the log and the mark of an upgrade.
type place struct {
	Config
	home    string
	base    string
	account account
	person  string // login role of whoever runs the tool
	user    string // name of whoever runs the tool in the password database
}

func (p *place) data() string        { return filepath.Join(p.base, "data") }
func (p *place) lockFile() string    { return filepath.Join(p.base, "lock") }
func (p *place) logFile() string     { return filepath.Join(p.base, "server.log") }
func (p *place) upgradeMark() string { return filepath.Join(p.base, "upgrade") }

// pointerName is the file that tells, in the data folder, that root's cluster
// lies elsewhere. Its last line is the folder.
const pointerName = "where-the-database-of-root-is"

// locate finds out where the cluster lies or would lie. It makes nothing.
func (c Config) locate() (*place, error) {
	home := c.Home
	if home == "" {
		h, err := DefaultHome(c.Env)
		if err != nil {
			return nil, err
		}
		home = h
	}
	home, err := filepath.Abs(home)
	if err != nil {
		return nil, err
	}
	// A folder reached by two names must be one cluster.
	if real, err := filepath.EvalSymlinks(home); err == nil {
		home = real
	}
	if strings.ContainsAny(home, "\n\r") {
		return nil, &Error{What: fmt.Sprintf("the data folder %q has a line break in its name, which PostgreSQL does not take", home), Help: "choose another with STEADYBATH_HOME"}
	}
	p := &place{Config: c, home: home}
	if p.user, err = c.userName(os.Geteuid()); err != nil {
		return nil, err
	}
	p.person = roleOf(p.user)
	// NAMEDATALEN - 1 of PostgreSQL's pg_config_manual.h, from memory.
	if len(p.person) > 63 || strings.ContainsAny(p.user, "\"\n\r") {
		return nil, &Error{What: fmt.Sprintf("the user name %q cannot be the name of a database role: 63 bytes at most, no quotation mark", p.user), Help: "name another database with --database"}
	}
	if p.account, err = serverAccount(); err != nil {
		return nil, err
	}
	if p.account.name == "" {
		p.account.name = p.user
	}
	if p.base, err = p.findBase(); err != nil {
		return nil, err
	}
	return p, p.adoptOwner()
}

// findBase chooses the folder. An ordinary user's cluster lies in the data
// folder itself. Root's does too where the server's account can enter, and
// otherwise in a folder of its own under /var/lib, named by a hash of the path.
func (p *place) findBase() (string, error) {
	if !p.account.drop {
		return p.home, nil
	}
	sum := sha256.Sum256([]byte(p.home))
	hashed := filepath.Join(p.shared, hex.EncodeToString(sum[:8]))
	// Where there is a cluster already, it stays; one whose folder was moved is
	// found again through the file left in it.
	for _, base := range []string{p.home, p.pointer(), hashed} {
		if base == "" {
			continue
		}
		for _, holds := range []string{"data", "upgrade"} {
			if _, err := os.Lstat(filepath.Join(base, holds)); err == nil {
				return base, nil
			}
		}
	}
	near := p.home
	for {
		if _, err := os.Stat(near); err == nil {
			break
		}
		up := filepath.Dir(near)
		if up == near {
			break
		}
		near = up
	}
	// In a folder of somebody else's, that person could lead root's own writing astray.
	if fi, err := os.Stat(near); err != nil || fileOwner(fi) != 0 && fileOwner(fi) != p.account.uid {
		return hashed, nil
	}
	err := p.enter(near, p.account)
	if errors.Is(err, syscall.EPERM) {
		return "", &Error{
			What:  fmt.Sprintf("root may not run programs as %s here (%v), and PostgreSQL refuses to run as root", p.account.name, err),
			Help:  "run steadybath as an ordinary user, or name another database with --database",
			Cause: ErrNoUser,
		}
	}
	if err != nil {
		return hashed, nil
	}
	return p.home, nil
}

// pointer returns the folder that the data folder says its cluster lies in, or
// "". Only root's own word counts.
func (p *place) pointer() string {
	name := filepath.Join(p.home, pointerName)
	fi, err := os.Lstat(name)
	if err != nil || !fi.Mode().IsRegular() || fileOwner(fi) != 0 {
		return ""
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return ""
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	return lines[len(lines)-1]
}

// adoptOwner makes the account the owner of a data folder that exists: the
// account chosen for a new one may have come to the machine since.
func (p *place) adoptOwner() error {
	fi, err := os.Stat(p.data())
	if err != nil {
		return nil
	}
	uid := fileOwner(fi)
	if uid == p.account.uid {
		return nil
	}
	name, err := p.userName(uid)
	if err != nil {
		name = "user id " + strconv.Itoa(uid)
	}
	if p.account.drop && (name == "nobody" || name == "postgres") {
		p.account, err = lookupAccount(name)
		return err
	}
	return &Error{
		What:  fmt.Sprintf("the private database in %s belongs to %s, not to %s", p.data(), name, p.account.name),
		Help:  fmt.Sprintf("run steadybath as %s, or choose another folder with STEADYBATH_HOME", name),
		Cause: ErrNotYours,
	}
}

// prepare makes the folder that everything else lies in.
func (p *place) prepare() error {
	mode := os.FileMode(0o700)
	if p.account.drop {
		mode = 0o755 // the server's account must get through
	}
	if p.base != p.home {
		if err := p.prepareShared(); err != nil {
			return err
		}
	}
	if err := mkdirs(p.home, mode); err != nil {
		return fmt.Errorf("make the data folder: %w", err)
	}
	if p.base == p.home {
		return nil
	}
	pointer := filepath.Join(p.home, pointerName)
	text := fmt.Sprintf("the server's account %s cannot enter this folder, so root's private database of steadybath lies in\n%s\n", p.account.name, p.base)
	if old, err := os.ReadFile(pointer); err == nil && string(old) == text {
		return nil
	}
	return writeFile(pointer, []byte(text), 0o644, account{})
}

func (p *place) prepareShared() error {
	if err := mkdirs(p.shared, 0o755); err != nil {
		return fmt.Errorf("make %s: %w", p.shared, err)
	}
	fi, err := os.Lstat(p.shared)
	if err != nil {
		return err
	}
	if !fi.IsDir() || fileOwner(fi) != 0 || fi.Mode().Perm()&0o022 != 0 {
		return &Error{
			What:  fmt.Sprintf("%s must be a folder that belongs to root and that nobody else may write to", p.shared),
			Help:  "correct it (chown root, chmod 755), or choose a folder with STEADYBATH_HOME",
			Cause: ErrNotYours,
		}
	}
	// Its own parents exist by now, so this makes one folder, which stays root's.
	return mkdirs(p.base, 0o755)
}

// socketPathLimit is the longest socket folder: sizeof sun_path (108 bytes on
// Linux, 104 on the BSDs and macOS; sys/un.h, from memory) less a closing zero
// and "/.s.PGSQL.5432".
func socketPathLimit() int {
	if runtime.GOOS == "linux" {
		return 107 - len("/.s.PGSQL.5432")
	}
	return 103 - len("/.s.PGSQL.5432")
}

// fitsSocket tells whether a path can name a socket folder: short enough, and
// without the comma, which parts lists in the server and in clients. A blank
// at either end is cut off by the server.
func fitsSocket(dir string) bool {
	return len(dir) <= socketPathLimit() && !strings.Contains(dir, ",") && strings.TrimSpace(dir) == dir
}

// socketFolders returns where the socket may lie, the best first.
func (p *place) socketFolders() []string {
	sum := sha256.Sum256([]byte(p.base))
	key := hex.EncodeToString(sum[:6])
	all := []string{filepath.Join(p.base, "run")}
	if p.account.drop {
		all = append(all, filepath.Join(p.shared, "run-"+key))
	} else {
		if run := p.Env("XDG_RUNTIME_DIR"); filepath.IsAbs(run) {
			if fi, err := os.Stat(run); err == nil && fi.IsDir() {
				all = append(all, filepath.Join(run, "steadybath-"+key))
			}
		}
		all = append(all, fmt.Sprintf("/tmp/steadybath-%d-%s", p.account.uid, key))
	}
	fit := all[:0]
	for _, dir := range all {
		if fitsSocket(dir) {
			fit = append(fit, dir)
		}
	}
	return fit
}

// makeSocketFolder makes the socket folder, or takes the one that is there if
// it is the account's own, and closes it to everybody else.
func (p *place) makeSocketFolder() (string, error) {
	fit := p.socketFolders()
	if len(fit) == 0 {
		return "", &Error{What: "no folder for the database's socket: every candidate has a comma or is longer than the system allows", Help: "choose a shorter folder with STEADYBATH_HOME"}
	}
	dir := fit[0]
	if p.account.drop && filepath.Dir(dir) == p.shared {
		if err := p.prepareShared(); err != nil {
			return "", err
		}
	}
	if err := os.Mkdir(dir, 0o700); err == nil {
		if err := p.account.own(dir); err != nil {
			return "", err
		}
	} else if !errors.Is(err, os.ErrExist) {
		return "", fmt.Errorf("make the folder of the database's socket: %w", err)
	}
	if fi, err := os.Lstat(dir); err == nil && fi.IsDir() && fileOwner(fi) == p.account.uid && fi.Mode().Perm() != 0o700 {
		if err := os.Chmod(dir, 0o700); err != nil {
			return "", err
		}
	}
	return dir, p.checkSocketFolder(dir)
}

// checkSocketFolder refuses a folder in which somebody else could put a socket
// of their own and pose as the database.
func (p *place) checkSocketFolder(dir string) error {
	fi, err := os.Lstat(dir)
	if err != nil {
		return fmt.Errorf("folder of the database's socket: %w", err)
	}
	if !fi.IsDir() || fileOwner(fi) != p.account.uid || fi.Mode().Perm()&0o077 != 0 {
		return &Error{
			What:  fmt.Sprintf("%s is not a folder that %s alone can open, so the database's socket cannot be trusted there", dir, p.account.name),
			Help:  "remove it, or choose a shorter data folder with STEADYBATH_HOME, so that the socket can lie there",
			Cause: ErrNotYours,
		}
	}
	return nil
}

// writeFile writes under a temporary name, gives the file to the account,
// brings it to the disk and renames it, so that a reader or a crash meets the
// old content or the new one and nothing between.
func writeFile(path string, content []byte, mode os.FileMode, owner account) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*")
	if err != nil {
		return err
	}
	_, err = f.Write(content)
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err == nil {
		err = owner.own(f.Name())
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return syncDir(filepath.Dir(path))
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// freeSpace returns the bytes that an ordinary account can still write where
// the path lies, and whether the system told.
func freeSpace(path string) (uint64, bool) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(path, &st); err != nil {
		return 0, false
	}
	return uint64(st.Bavail) * uint64(st.Bsize), true
}

func inBytes(n uint64) string {
	switch {
	case n >= 10<<30:
		return fmt.Sprintf("%d GiB", n>>30)
	case n >= 10<<20:
		return fmt.Sprintf("%d MiB", n>>20)
	case n >= 10<<10:
		return fmt.Sprintf("%d KiB", n>>10)
	}
	return fmt.Sprintf("%d bytes", n)
}

// logTail returns up to n of the last lines of a log from an offset on.
func logTail(path string, offset int64, n int) []string {
	f, err := os.Open(path)
	if err != nil {
		return []string{}
	}
	defer f.Close()
	const window = 16 << 10 // more than any n lines asked for here
	if fi, err := f.Stat(); err == nil {
		offset = max(offset, fi.Size()-window)
	}
	buf := make([]byte, window)
	k, _ := f.ReadAt(buf, offset)
	lines := []string{}
	for _, line := range bytes.Split(buf[:k], []byte("\n")) {
		if s := strings.TrimSpace(string(line)); s != "" {
			lines = append(lines, s)
		}
	}
	return lines[max(0, len(lines)-n):]
}
