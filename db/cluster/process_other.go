//go:build !linux

package cluster

import (
	"os"
	"os/exec"
	"strconv"
	"strings"
)

// worksIn tells whether a live process has the folder as its working folder,
// as a postmaster and its backends have the data folder. Without /proc, lsof
// tells; it belongs to macOS and is a package on the BSDs.
func worksIn(pid int, dir string) bool {
	want, err := os.Stat(dir)
	if err != nil {
		return false
	}
	out, err := exec.Command("lsof", "-a", "-p", strconv.Itoa(pid), "-d", "cwd", "-Fn").Output()
	if err != nil {
		return false
	}
	for line := range strings.Lines(string(out)) {
		if name, ok := strings.CutPrefix(strings.TrimSuffix(line, "\n"), "n"); ok {
			cwd, err := os.Stat(name)
			return err == nil && os.SameFile(cwd, want)
		}
	}
	return false
}

// workers returns the processes whose working folder is the given one.
func workers(dir string) []int {
	var pids []int
	out, _ := exec.Command("lsof", "-a", "-c", "postgres", "-d", "cwd", "-t").Output()
	for field := range strings.FieldsSeq(string(out)) {
		if pid, err := strconv.Atoi(field); err == nil && worksIn(pid, dir) {
			pids = append(pids, pid)
		}
	}
	return pids
}
