package cluster

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
)

// worksIn tells whether a live process has the folder as its working folder,
// as a postmaster and its backends have the data folder. A zombie has none.
func worksIn(pid int, dir string) bool {
	proc := "/proc/" + strconv.Itoa(pid)
	want, err := os.Stat(dir)
	if err != nil {
		return false
	}
	cwd, err := os.Stat(proc + "/cwd")
	if err == nil {
		return os.SameFile(cwd, want)
	}
	if !errors.Is(err, fs.ErrPermission) {
		return false
	}
	// Root in a container may lack the right to look into another account's
	// process; its command line stays readable, and a zombie's is empty.
	line, err := os.ReadFile(proc + "/cmdline")
	if err != nil {
		return false
	}
	args := bytes.Split(line, []byte{0})
	if filepath.Base(string(args[0])) != "postgres" {
		return false
	}
	for i, arg := range args[:len(args)-1] {
		if string(arg) == "-D" {
			given, err := os.Stat(string(args[i+1]))
			return err == nil && os.SameFile(given, want)
		}
	}
	return false
}

// workers returns the processes whose working folder is the given one.
func workers(dir string) []int {
	var pids []int
	entries, _ := os.ReadDir("/proc")
	for _, e := range entries {
		if pid, err := strconv.Atoi(e.Name()); err == nil && worksIn(pid, dir) {
			pids = append(pids, pid)
		}
	}
	return pids
}
