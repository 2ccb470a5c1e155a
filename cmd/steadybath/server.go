package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/urfave/cli/v2"
	"golang.org/x/term"

	"steadybath/db"
	"steadybath/db/cluster"
)

func serverCommand(s *session) *cli.Command {
	verb := func(name, usage, paragraph string, examples []string, do func(c *cli.Context) error) *cli.Command {
		return &cli.Command{Name: name, Usage: usage, UsageText: "steadybath server " + name,
			Description: describe(paragraph, examples...), Flags: []cli.Flag{jsonFlag(), databaseFlag()},
			Action: func(c *cli.Context) error {
				if err := noWords("server "+name, c.Args().Slice()); err != nil {
					return err
				}
				if name != "upgrade" && s.databaseURL(c) != "" {
					return refused("that server's own tools do it", "server %s is for the private database, and --database names another", name)
				}
				return do(c)
			}}
	}
	return &cli.Command{
		Name: "server", Usage: "the private database: start, stop, status, upgrade, move", UsageText: "steadybath server start|stop|status|upgrade|move",
		Description: describe("Nothing of this is needed from day to day: the first command makes the private\ndatabase, and it is started when it is needed.",
			"steadybath server status", "steadybath server stop"),
		Subcommands: []*cli.Command{
			verb("start", "start it, and make it where there is none", "Every other command does this too.",
				[]string{"steadybath server start", "steadybath server start --json"},
				func(c *cli.Context) error {
					if _, err := s.open(c); err != nil {
						return err
					}
					return s.serverStatus(c)
				}),
			verb("stop", "stop it until the next command", "Nothing is lost: what was acknowledged is on the disk.",
				[]string{"steadybath server stop", "steadybath server stop && cp -a ..."},
				func(c *cli.Context) error {
					if err := cluster.Stop(c.Context, s.clusterConfig()); err != nil {
						return err
					}
					return s.serverStatus(c)
				}),
			verb("status", "where it is and how it does", "Folder, process, version, size, free space, and the end of its log where something\nis wrong.",
				[]string{"steadybath server status", "steadybath server status --json"}, s.serverStatus),
			verb("upgrade", "bring it to the newest PostgreSQL installed, and its schema up to date", "All rows are carried over, compared, and every chain recomputed before the new\nfolder takes the old one's place; the old one is kept, renamed. With --database\nonly the schema is brought up to date.",
				[]string{"steadybath server upgrade", "steadybath server upgrade --database postgres://owner@db/shop"}, s.serverUpgrade),
			moveVerb(s),
		},
	}
}

func (s *session) serverUpgrade(c *cli.Context) error {
	var carried cluster.Upgraded
	if s.databaseURL(c) == "" {
		var err error
		config := s.clusterConfig()
		config.Proof = db.Proof
		if carried, err = cluster.Upgrade(c.Context, config); err != nil {
			return err
		}
	}
	store, err := s.open(c)
	if err != nil {
		return err
	}
	if s.databaseURL(c) != "" {
		if err := store.Migrate(c.Context); err != nil {
			return err
		}
	}
	schema, err := store.Version(c.Context)
	if err != nil {
		return err
	}
	facts, chains, err := verifyAll(c.Context, store)
	if err != nil {
		return err
	}
	if c.Bool("json") {
		return s.printJSON(struct {
			From   int    `json:"from"`
			To     int    `json:"to"`
			Rows   int64  `json:"rows"`
			Kept   string `json:"kept"`
			Schema int    `json:"schema"`
			Facts  int64  `json:"facts"`
			Chains int64  `json:"chains"`
		}{carried.From, carried.To, carried.Rows, carried.Kept, schema, facts, chains})
	}
	lines := []string{fmt.Sprintf("schema version %d", schema)}
	switch {
	case s.databaseURL(c) != "":
	case carried.From == carried.To:
		lines = append(lines, fmt.Sprintf("PostgreSQL %d is the newest installed; nothing to carry over", carried.To))
	default:
		lines = append(lines, fmt.Sprintf("carried %d rows from PostgreSQL %d to %d; the old folder is kept as\n   %s", carried.Rows, carried.From, carried.To, carried.Kept))
	}
	lines = append(lines, fmt.Sprintf("looked through: all %s of %s fit", counted(facts, "fact"), counted(chains, "chain")))
	return say(s.stdout, "%s", strings.Join(lines, "\n"))
}

func (s *session) serverStatus(c *cli.Context) error {
	st, err := cluster.Stat(c.Context, s.clusterConfig())
	if err != nil {
		return err
	}
	problem := ""
	if st.Problem != nil {
		problem = st.Problem.Error()
	}
	if c.Bool("json") {
		return s.printJSON(struct {
			State     string   `json:"state"`
			Problem   string   `json:"problem"`
			PID       int      `json:"pid"`
			Version   int      `json:"version"`
			Home      string   `json:"home"`
			DataDir   string   `json:"data_dir"`
			SocketDir string   `json:"socket_dir"`
			Person    string   `json:"person"`
			Size      int64    `json:"size_bytes"`
			Free      int64    `json:"free_bytes"`
			LogTail   []string `json:"log_tail"`
		}{string(st.State), problem, st.PID, st.Version, st.Home, st.DataDir, st.SocketDir, st.Person, st.Size, st.Free, st.LogTail})
	}
	lines := []string{"state    " + string(st.State)}
	if st.PID > 0 {
		lines[0] += fmt.Sprintf(", process %d", st.PID)
	}
	lines = append(lines, "folder   "+st.DataDir)
	if st.Version > 0 {
		lines = append(lines, fmt.Sprintf("version  PostgreSQL %d, programs in %s", st.Version, st.Programs))
	}
	if st.SocketDir != "" {
		lines = append(lines, "socket   "+st.SocketDir)
	}
	lines = append(lines, fmt.Sprintf("person   %s (this is who enters facts)", st.Person))
	if st.Size > 0 {
		lines = append(lines, fmt.Sprintf("size     %.1f MB, %s free", float64(st.Size)/1e6, freeWords(st.Free)))
	}
	if problem != "" {
		lines = append(lines, "problem  "+problem, "log      "+st.LogFile)
		for _, l := range st.LogTail {
			lines = append(lines, "   "+l)
		}
	}
	return say(s.stdout, "%s", strings.Join(lines, "\n"))
}

func freeWords(bytes int64) string {
	if bytes < 0 {
		return "an unknown amount"
	}
	return fmt.Sprintf("%.1f GB", float64(bytes)/1e9)
}

// progress shows on a terminal how far an import has come.
type progress struct {
	out   io.Writer
	file  *os.File
	size  int64
	last  time.Time
	shown bool
}

// newProgress shows nothing where out is no terminal.
func newProgress(out io.Writer, in io.Reader) *progress {
	p := &progress{}
	f, ok := out.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return p
	}
	p.out = out
	if file, ok := in.(*os.File); ok {
		if info, err := file.Stat(); err == nil && info.Mode().IsRegular() {
			p.file, p.size = file, info.Size()
		}
	}
	return p
}

// rows hears how many rows have been read and entered.
func (p *progress) rows(read, entered int64) {
	if p.out == nil || time.Since(p.last) < 100*time.Millisecond {
		return
	}
	p.last, p.shown = time.Now(), true
	switch {
	case entered > 0:
		fmt.Fprintf(p.out, "\r%s %d of %d facts entered\x1b[K", bar(entered, read), entered, read)
	case p.size > 0:
		at, err := p.file.Seek(0, io.SeekCurrent)
		if err != nil {
			return
		}
		fmt.Fprintf(p.out, "\r%s %d rows read\x1b[K", bar(at, p.size), read)
	default:
		fmt.Fprintf(p.out, "\r%d rows read\x1b[K", read)
	}
}

func bar(done, of int64) string {
	const wide = 30
	n := int(wide * min(done, of) / max(of, 1))
	return "[" + strings.Repeat("=", n) + strings.Repeat(" ", wide-n) + "]"
}

// done takes the line away.
func (p *progress) done() {
	if p.shown {
		fmt.Fprint(p.out, "\r\x1b[K")
		p.shown = false
	}
}
