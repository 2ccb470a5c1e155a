package cluster

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// account is the operating system's account under which the server runs.
type account struct {
	uid, gid int
	name     string
	drop     bool // the tool runs as root and the server's programs must not
}

// apply makes a command run under the account, without the caller's groups and
// in a folder that every account can enter.
func (a account) apply(cmd *exec.Cmd) {
	cmd.Dir = "/"
	if cmd.SysProcAttr == nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{}
	}
	if a.drop {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid)}
	}
}

// own gives a file or folder that the tool has made to the account.
func (a account) own(path string) error {
	if !a.drop {
		return nil
	}
	return os.Lchown(path, a.uid, a.gid)
}

// serverAccount returns the account for a new cluster: the caller's own, or,
// for root, postgres where it exists and nobody otherwise, because both initdb
// and postgres refuse to run as root.
func serverAccount() (account, error) {
	if uid := os.Geteuid(); uid != 0 {
		return account{uid: uid, gid: os.Getegid()}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		if a, err := lookupAccount(name); err == nil && a.uid != 0 {
			return a, nil
		}
	}
	return account{}, &Error{
		What:  "PostgreSQL does not run as root, and this machine has neither an account postgres nor nobody to run it as",
		Help:  "run steadybath as an ordinary user, or name another database with --database",
		Cause: ErrNoUser,
	}
}

func lookupAccount(name string) (account, error) {
	u, err := user.Lookup(name)
	if err != nil {
		return account{}, err
	}
	// Signed, because some systems write nobody's id as -2.
	uid, err1 := strconv.ParseInt(u.Uid, 10, 64)
	gid, err2 := strconv.ParseInt(u.Gid, 10, 64)
	if err := errors.Join(err1, err2); err != nil {
		return account{}, err
	}
	return account{uid: int(uint32(uid)), gid: int(uint32(gid)), name: name, drop: true}, nil
}

// userName returns the name of a user id. A program built without cgo reads
// only /etc/passwd, so a machine whose users come from a directory service is
// asked through id.
func userName(uid int) (string, error) {
	if u, err := user.LookupId(strconv.Itoa(uid)); err == nil && u.Username != "" {
		return u.Username, nil
	}
	out, err := exec.Command("id", "-un", strconv.Itoa(uid)).Output()
	name := strings.TrimSpace(string(out))
	if err != nil || name == "" || name == strconv.Itoa(uid) {
		return "", &Error{
			What:  fmt.Sprintf("user id %d has no entry in this machine's password database, and PostgreSQL cannot run without one", uid),
			Help:  "add an entry (useradd), or name another database with --database",
			Cause: ErrNoUser,
		}
	}
	return name, nil
}

// roleOf returns the login role of a person. Names that PostgreSQL reserves,
// and those of this package's own roles (the bootstrap superuser above all),
// are set apart; longer names than PostgreSQL keeps are refused by locate.
func roleOf(userName string) string {
	reserved := strings.HasPrefix(userName, "pg_") || strings.HasPrefix(userName, "steadybath_") || strings.HasPrefix(userName, "person_")
	switch userName {
	case "public", "none", "all", "sameuser", "samerole", "replication", "current_user", "current_role", "session_user":
		reserved = true
	}
	if reserved {
		return "person_" + userName
	}
	return userName
}

// canEnter asks the system itself whether the account may work in a folder:
// mode bits alone would miss access lists and mount options.
func canEnter(dir string, a account) error {
	cmd := exec.Command("/bin/sh", "-c", ":")
	a.apply(cmd)
	cmd.Dir = dir
	return cmd.Run()
}

func fileOwner(fi os.FileInfo) int {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return int(st.Uid)
	}
	return -1
}

// mkdirs makes a folder and its missing parents with the given mode. What it
// makes belongs to the owner of the folder it is made in, so that root leaves
// nothing in a person's home that the person could not use.
func mkdirs(path string, mode os.FileMode) error {
	fi, err := os.Stat(path)
	if err == nil {
		if !fi.IsDir() {
			return &Error{What: fmt.Sprintf("%s is in the way: a folder is needed there", path), Help: "move it, or choose another folder with STEADYBATH_HOME"}
		}
		return nil
	}
	parent := filepath.Dir(path)
	if parent == path {
		return err
	}
	if err := mkdirs(parent, mode); err != nil {
		return err
	}
	switch err := os.Mkdir(path, mode); {
	case errors.Is(err, os.ErrExist):
		return nil // another command was faster
	case err != nil:
		return err
	}
	// A umask must not close to the server's account what it has to get through.
	if err := os.Chmod(path, mode); err != nil {
		return err
	}
	if os.Geteuid() == 0 {
		if fi, err := os.Stat(parent); err == nil {
			if st, ok := fi.Sys().(*syscall.Stat_t); ok && st.Uid != 0 {
				return os.Lchown(path, int(st.Uid), int(st.Gid))
			}
		}
	}
	return nil
}
