package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/rogpeppe/go-internal/testscript"
)

// foreignPassword has what must be escaped in a file of passwords.
const foreignPassword = `an invented: one\`

// cmdForeign starts a server such as docker-compose.yml describes: its superuser
// steadybath has a password and is reached over TCP alone. PORT says where it
// listens, SERVER_BIN where PostgreSQL's programs lie.
func cmdForeign(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 0 {
		ts.Fatalf("usage: foreign")
	}
	bin, err := serverPrograms()
	ts.Check(err)
	dir, err := os.MkdirTemp("/tmp", "sbf") // TMPDIR may be a folder that only root can enter
	ts.Check(err)
	ts.Defer(func() { _ = os.RemoveAll(dir) })
	attr, err := asServer(dir)
	ts.Check(err)
	program := func(name string, args ...string) *exec.Cmd {
		cmd := exec.Command(filepath.Join(bin, name), args...)
		cmd.Dir, cmd.SysProcAttr, cmd.Env = "/", attr, []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C"}
		return cmd
	}
	data, secret := filepath.Join(dir, "data"), filepath.Join(dir, "password")
	ts.Check(os.WriteFile(secret, []byte(foreignPassword+"\n"), 0o644)) // it is invented, and the account must read it
	if out, err := program("initdb", "-D", data, "-U", "steadybath", "--pwfile", secret, "-E", "UTF8", "--locale=C", "--data-checksums",
		"--auth=scram-sha-256", "--no-sync").CombinedOutput(); err != nil {
		ts.Fatalf("initdb: %v\n%s", err, out)
	}
	port, err := freePort()
	ts.Check(err)
	server := program("postgres", "-D", data, "-F", "-p", port, "-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories=", "-c", "log_min_messages=fatal")
	ts.Check(server.Start())
	ts.Defer(func() {
		_ = server.Process.Signal(syscall.SIGQUIT)
		_ = server.Wait()
	})
	config, err := pgx.ParseConfig("host=127.0.0.1 port=" + port + " user=steadybath dbname=postgres sslmode=disable")
	ts.Check(err)
	config.Password = foreignPassword
	var conn *pgx.Conn
	for range 1000 {
		if conn, err = pgx.ConnectConfig(context.Background(), config); err == nil {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	ts.Check(err)
	_, err = conn.Exec(context.Background(), "create database steadybath")
	ts.Check(err)
	ts.Check(conn.Close(context.Background()))
	ts.Setenv("PORT", port)
	ts.Setenv("SERVER_BIN", bin)
	ts.Setenv("STEADYBATH_PASSWORD", foreignPassword)
}

// asServer gives a folder to an account that PostgreSQL runs under: it refuses
// root.
func asServer(dir string) (*syscall.SysProcAttr, error) {
	attr := &syscall.SysProcAttr{Setsid: true}
	if os.Getuid() != 0 {
		return attr, nil
	}
	account, err := user.Lookup("postgres")
	if err != nil {
		if account, err = user.Lookup("nobody"); err != nil {
			return nil, err
		}
	}
	uid, err := strconv.Atoi(account.Uid)
	if err != nil {
		return nil, err
	}
	gid, err := strconv.Atoi(account.Gid)
	if err != nil {
		return nil, err
	}
	attr.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	return attr, os.Chown(dir, uid, gid)
}

func serverPrograms() (string, error) {
	folders := filepath.SplitList(os.Getenv("STEADYBATH_PGBIN"))
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin")
	slices.Reverse(found)
	folders = append(append(folders, found...), "/usr/pgsql/bin", "/usr/local/pgsql/bin", "/opt/homebrew/bin")
	for _, f := range append(folders, filepath.SplitList(os.Getenv("PATH"))...) {
		if _, err := os.Stat(filepath.Join(f, "initdb")); err == nil {
			return f, nil
		}
	}
	return "", fmt.Errorf("no initdb found; install PostgreSQL's server package")
}

// freePort asks the system for a port that nobody uses at this moment.
func freePort() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	defer l.Close()
	_, port, found := strings.Cut(l.Addr().String(), ":")
	if !found {
		return "", fmt.Errorf("no port in %s", l.Addr())
	}
	return port, nil
}
