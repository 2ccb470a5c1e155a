package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
	"steadybath/chem/recipe"
	"steadybath/db"
	"steadybath/db/cluster"
	"steadybath/reports"
)

func doctorCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "doctor", Usage: "what is wrong with this installation", UsageText: "steadybath doctor [--json]",
		Description: describe("Programs, server, disk, roles, schema, clock, and every bath's recipe, settings,\ntitrations and chain: a line each, and below it what mends it. It changes and\nstarts nothing. Status 1 where there is a fault; a look is worth one.",
			"steadybath doctor", "steadybath doctor --json"),
		Flags: []cli.Flag{jsonFlag(), databaseFlag()},
		Action: func(c *cli.Context) error {
			if err := noWords("doctor", c.Args().Slice()); err != nil {
				return err
			}
			k := &checkup{s: s, url: s.databaseURL(c)}
			defer k.close()
			if err := k.run(c.Context); err != nil {
				return err
			}
			write := reports.Doctor
			if c.Bool("json") {
				write = reports.DoctorJSON
			}
			if err := write(s.stdout, k.checks); err != nil {
				return err
			}
			switch k.faults {
			case 0:
				return nil
			case 1:
				return refused("the line below it says what mends it", "1 fault was found")
			}
			return refused("the line below each says what mends it", "%d faults were found", k.faults)
		},
	}
}

// checkup is one visit of the doctor.
type checkup struct {
	s      *session
	url    string // "" is the private database
	store  *db.Store
	checks []reports.Check
	faults int
}

func (k *checkup) close() {
	if k.store != nil {
		k.store.Close()
	}
}

func (k *checkup) ok(name, format string, args ...any) {
	k.checks = append(k.checks, reports.Check{Name: name, Verdict: reports.VerdictOK, What: oneLine(fmt.Sprintf(format, args...))})
}

func (k *checkup) look(name, cure, format string, args ...any) {
	k.checks = append(k.checks, reports.Check{Name: name, Verdict: reports.VerdictLook, What: oneLine(fmt.Sprintf(format, args...)), Cure: oneLine(cure)})
}

func (k *checkup) fault(name, cure, format string, args ...any) {
	k.faults++
	k.checks = append(k.checks, reports.Check{Name: name, Verdict: reports.VerdictFault, What: oneLine(fmt.Sprintf(format, args...)), Cure: oneLine(cure)})
}

// failed is a fault that an error tells of, with its hint or else the given one.
func (k *checkup) failed(name string, err error, cure string) {
	if _, hint := classify(err); hint != "" {
		cure = hint
	}
	k.fault(name, cure, "%v", err)
}

// run looks at everything, from the machine to the baths. What cannot be looked
// at is a finding; only an interrupt is an error.
func (k *checkup) run(ctx context.Context) error {
	k.programs(ctx)
	private := false
	if k.url == "" {
		private = k.private(ctx)
	}
	k.ownClock()
	k.zones()
	if k.url != "" || private {
		k.records(ctx)
	}
	return ctx.Err()
}

func (k *checkup) programs(ctx context.Context) {
	all, hint, err := cluster.Installed(ctx, k.s.clusterConfig())
	best := slices.IndexFunc(all, func(i cluster.Installation) bool {
		return i.Version >= cluster.OldestVersion && !slices.Contains(i.Missing, "initdb")
	})
	fit := best >= 0
	switch {
	case k.url != "" && !fit:
		k.ok("programs", "no server programs that could make a private database are here, and none are needed: the records are elsewhere")
		return
	case err != nil:
		k.failed("programs", err, hint)
		return
	case len(all) == 0:
		k.fault("programs", hint, "no PostgreSQL server is installed here: looked in PATH, in STEADYBATH_PGBIN and where packages put it")
		return
	case !fit:
		k.fault("programs", hint, "no PostgreSQL of version %d or newer with initdb is installed here; found %s", cluster.OldestVersion, listInstalled(all))
		return
	}
	if gone := all[best].Missing; len(gone) > 0 {
		k.look("programs", "install the client programs of that version; only steadybath server upgrade needs them",
			"%s; missing in %s: %s", listInstalled(all), all[best].Folder, strings.Join(gone, ", "))
		return
	}
	k.ok("programs", "%s", listInstalled(all))
}

func listInstalled(all []cluster.Installation) string {
	words := make([]string, len(all))
	for i, one := range all {
		words[i] = fmt.Sprintf("PostgreSQL %d in %s", one.Version, one.Folder)
	}
	return strings.Join(words, ", ")
}

// Room on the disk, in bytes. PostgreSQL stops when it cannot write its log,
// whose segments are 1 MB here; the rest is a judgement.
const (
	roomFault = 50 << 20
	roomLook  = 500 << 20
)

// private looks at the private cluster, and tells whether it can be asked.
func (k *checkup) private(ctx context.Context) bool {
	st, err := cluster.Stat(ctx, k.s.clusterConfig())
	if err != nil {
		k.failed("server", err, "")
		return false
	}
	k.room(st)
	switch st.State {
	case cluster.Absent:
		for _, dir := range []string{st.Home, st.Base} {
			if near, ok := writable(dir); !ok {
				k.fault("server", "name a folder of your own in STEADYBATH_HOME, or another database with --database",
					"there is no private database yet, and it cannot be made in %s: %s is no folder that you may write to", dir, near)
				return false
			}
		}
		k.look("server", "the first command makes it; steadybath bath new --help shows how to begin", "there is no private database yet; it will lie in %s", st.DataDir)
		return false
	case cluster.Unusable:
		k.failed("server", st.Problem, "its log is "+st.LogFile)
		return false
	}
	k.folder(st)
	switch {
	case st.State == cluster.Stopped:
		k.look("server", "steadybath server start, then steadybath doctor again: the rest could not be looked at", "the private database is stopped; the next command starts it")
		return false
	case st.State != cluster.Running:
		k.look("server", "try again in a moment; its log is "+st.LogFile, "the private database is %s (process %d)", st.State, st.PID)
		return false
	case st.Problem != nil:
		k.failed("server", st.Problem, "its log is "+st.LogFile+"; steadybath server stop ends it, the next command starts it anew")
		return false
	}
	return true
}

// writable tells whether a folder is there or could be made, and which it
// would be made in.
func writable(dir string) (near string, ok bool) {
	for near = dir; ; near = filepath.Dir(near) {
		info, err := os.Stat(near)
		if err == nil {
			const writeAndEnter = 2 | 1 // W_OK and X_OK of access(2)
			return near, info.IsDir() && syscall.Access(near, writeAndEnter) == nil
		}
		if near == filepath.Dir(near) {
			return near, false
		}
	}
}

func (k *checkup) room(st cluster.Status) {
	cure := "make room there: nothing can be entered once it is full"
	switch {
	case st.Free < 0:
		k.look("disk", "see whether df shows it", "how much room there is in %s is not known", st.Base)
	case st.Free < roomFault:
		k.fault("disk", cure, "only %d MB are free in %s", st.Free>>20, st.Base)
	case st.Free < roomLook:
		k.look("disk", cure, "%d MB are free in %s", st.Free>>20, st.Base)
	default:
		k.ok("disk", "%s free; the records take %.1f MB", freeWords(st.Free), float64(st.Size)/1e6)
	}
}

func (k *checkup) folder(st cluster.Status) {
	info, err := os.Stat(st.DataDir)
	switch {
	case err != nil:
		k.failed("folder", err, "see that you may enter it")
	case info.Mode().Perm()&0o027 != 0:
		// What PostgreSQL itself demands: 0700, or 0750 where the group may read.
		k.fault("folder", "chmod 700 "+shellWord(st.DataDir), "%s is open to others (mode %04o)", st.DataDir, info.Mode().Perm())
	default:
		k.ok("folder", "%s, only for %s (mode %04o)", st.DataDir, st.Account, info.Mode().Perm())
	}
}

// ownClock says where the tool has been told another time than the machine's.
func (k *checkup) ownClock() {
	fixed := k.s.env("STEADYBATH_CLOCK")
	if fixed == "" {
		return
	}
	if _, err := k.s.now(); err != nil {
		k.fault("clock", "unset STEADYBATH_CLOCK", "%v", err)
		return
	}
	k.look("clock", "unset STEADYBATH_CLOCK, unless this is the demo or a test", "STEADYBATH_CLOCK says that it is %s, and every command believes it", fixed)
}

func (k *checkup) zones() {
	from := "the tool's own"
	for _, dir := range []string{k.s.env("ZONEINFO"), "/usr/share/zoneinfo", "/usr/share/lib/zoneinfo", "/usr/lib/locale/TZ", "/etc/zoneinfo"} {
		if _, err := os.Stat(dir); dir != "" && err == nil {
			from = dir
			break
		}
	}
	zone := machineZone(k.s.env)
	if tz := k.s.env("TZ"); tz != "" && tz != zone {
		k.look("zones", "set TZ to a name such as Europe/Vienna, or give bath new --zone", "TZ is %q, which is not the name of a time zone; a new bath would be in %s", tz, zone)
		return
	}
	k.ok("zones", "this machine is in %s; zone data: %s", zone, from)
}

// records looks at the server and at what it holds.
func (k *checkup) records(ctx context.Context) {
	store, err := db.Look(ctx, db.Options{URL: k.url, Cluster: k.s.clusterConfig()})
	if err != nil {
		k.failed("server", err, "steadybath server status tells more")
		return
	}
	k.store = store
	about, err := store.About(ctx)
	if err != nil {
		k.failed("server", err, "")
		return
	}
	k.server(about)
	have, readable := k.schema(ctx)
	k.rights(ctx, have)
	var all []db.Bath
	if have && readable {
		if all, err = store.Baths(ctx); err != nil {
			k.failed("records", err, "")
		}
	}
	k.clock(about, all)
	k.copies(ctx, all)
	for _, b := range all {
		if ctx.Err() != nil {
			return
		}
		k.bath(ctx, b.Name)
	}
}

func (k *checkup) server(a db.About) {
	whose := "the database at " + a.Where
	if k.url == "" {
		whose = "the private database"
	}
	if a.Major < cluster.OldestVersion {
		k.fault("server", "move the records to a newer one: export --all there, import here", "%s is PostgreSQL %s, and %d or newer is needed", whose, a.Version, cluster.OldestVersion)
	} else {
		how := ""
		switch {
		case a.Encrypted:
			how = ", over TLS"
		case a.Local:
			how = ", on this machine"
		}
		k.ok("server", "%s answers: PostgreSQL %s%s", whose, a.Version, how)
	}
	if a.Encoding != "UTF8" {
		k.fault("server", "make a database with createdb --encoding UTF8 --template template0, and import there", "the database is encoded in %s, not in UTF8", a.Encoding)
	}
	if !a.Fsync {
		k.fault("server", "set fsync = on in its postgresql.conf, or alter system set fsync = on", "fsync is off: a power cut can destroy the records")
	}
	if a.ReadOnly {
		k.look("server", "name its primary to enter facts", "%s takes no writes: it is a standby, or was set so", whose)
	}
	if !a.Checksums {
		k.look("server", "stop that server and run pg_checksums --enable on its data folder", "data checksums are off: what a bad disk changes goes unnoticed")
	}
	if !a.Encrypted && !a.Local {
		k.look("server", "add sslmode=verify-full to the address", "the connection crosses a network and is not encrypted")
	}
}

// schema tells whether there is one, and whether this tool can read it.
func (k *checkup) schema(ctx context.Context) (have, readable bool) {
	a, err := k.store.Applied(ctx)
	switch {
	case err != nil:
		k.failed("schema", err, "")
		return true, false
	case a.Have == 0:
		k.look("schema", "the first command makes it; on a server of your own connect once as a user that may create roles and schemas", "there are no records in this database yet")
		return false, false
	case a.Have > a.Know:
		k.fault("schema", "use the newer steadybath that the database was last used with", "the database is at version %d, and this tool knows only up to %d", a.Have, a.Know)
		return true, false
	case len(a.Other) > 0:
		k.fault("schema", "compare the table steadybath.schema_version with a backup; somebody else changed it", "these steps of the schema were not applied as this tool has them: %s", strings.Join(a.Other, ", "))
	case a.Have < a.Know:
		k.look("schema", "the next command brings it up to date, or steadybath server upgrade as a member of steadybath_owner", "the database is at version %d of %d", a.Have, a.Know)
	default:
		k.ok("schema", "version %d of %d", a.Have, a.Know)
	}
	return true, true
}

func (k *checkup) rights(ctx context.Context, have bool) {
	r, err := k.store.Rights(ctx)
	if err != nil {
		k.failed("user", err, "")
		return
	}
	if !have {
		k.ok("user", "you are %s to the database", r.User)
		return
	}
	if len(r.NoRole) > 0 {
		k.fault("user", "let a superuser run: create role "+r.NoRole[0]+" nologin, then restore its grants from a backup", "the server lacks the role %s", strings.Join(r.NoRole, ", "))
	}
	switch {
	case r.Superuser:
		k.look("user", "enter facts as a user of your own: create role anna login; grant steadybath_writer to anna", "you are %s, a superuser: nothing but good behaviour keeps you from changing facts, though the chain would show it", r.User)
	case r.Owner:
		k.look("user", "enter facts as a user of your own that has steadybath_writer only", "you are %s, who owns the records and could take their rules away, though the chain would show it", r.User)
	case r.Change:
		k.fault("user", "let the owner run: revoke update, delete, truncate on steadybath.facts from "+r.User, "you are %s, and were granted the right to change or delete facts", r.User)
	case !r.Read:
		k.fault("user", "let the owner run: grant steadybath_writer to "+r.User, "you are %s, and may not even read facts", r.User)
	case !r.Insert:
		k.look("user", "to enter facts, let the owner run: grant steadybath_writer to "+r.User, "you are %s, and may read facts but not enter any", r.User)
	default:
		k.ok("user", "you enter facts as %s, who may add them and change none", r.User)
	}
	if len(r.NoRule) > 0 {
		k.fault("rules", "as the owner: alter table steadybath.facts enable always trigger "+r.NoRule[0]+"; then look at the chains below", "what keeps facts unchanged is off or gone in the database: %s", strings.Join(r.NoRule, ", "))
		return
	}
	k.ok("rules", "the database itself refuses to change or delete facts")
}

func (k *checkup) clock(a db.About, all []db.Bath) {
	apart := a.Apart.Round(time.Second)
	if apart.Abs() > clockSlack {
		k.fault("clock", "set both by the network's time, such as timedatectl set-ntp true", "the server's clock is %s this machine's", apartWords(apart))
	}
	newest := db.Bath{}
	for _, b := range all {
		if b.Entered.After(newest.Entered) {
			newest = b
		}
	}
	ahead := newest.Entered.Sub(a.Now).Round(time.Second)
	if ahead > time.Second {
		k.fault("clock", "set the server's clock; if it is right now, entries are dated just after that one until its moment has passed",
			"the newest entry, in %s, is dated %s the server's clock, which went back or was wrong then", chainName(newest.Name), apartWords(ahead))
	}
	if apart.Abs() <= clockSlack && ahead <= time.Second {
		k.ok("clock", "the server's clock and this machine's agree, and no entry lies ahead of them")
	}
}

func apartWords(d time.Duration) string {
	if d < 0 {
		return (-d).String() + " behind"
	}
	return d.String() + " ahead of"
}

func chainName(bath string) string {
	if bath == "" {
		return "the shop's titrants and stock"
	}
	return "bath " + bath
}

// bath looks at one chain, the shop's where the name is empty.
func (k *checkup) bath(ctx context.Context, name string) {
	rows, err := k.store.Rows(ctx, name, time.Time{})
	if err != nil {
		k.failed("records", err, "")
		return
	}
	k.chain(name, rows)
	entered := make([]chem.Fact, 0, len(rows))
	for _, r := range rows {
		f, err := journal.Decode(r)
		if err != nil {
			k.fault("facts", "a newer steadybath may know it; compare with an export", "%s: fact %d cannot be read: %v", chainName(name), r.Number, err)
			return
		}
		entered = append(entered, f)
	}
	if name == "" {
		return
	}
	if _, err := zoneOf(rows); err != nil {
		k.failed("zones", fmt.Errorf("bath %s: %w", name, err), "")
	}
	b, err := estimate.Open(entered)
	var faults *recipe.Faults
	switch {
	case errors.As(err, &faults):
		k.fault("recipe", "begin a bath with a mended recipe: export, mend, import under another name; steadybath recipe check FILE names every fault",
			"bath %s: its recipe has %d faults, the first: %v", name, len(faults.List), faults.List[0])
		return
	case errors.Is(err, estimate.ErrNoBath):
		k.fault("recipe", "steadybath history --kind void shows who voided it and why", "bath %s: no standing fact says that it begins", name)
		return
	case err != nil:
		k.failed("recipe", err, "")
		return
	}
	k.ok("recipe", "bath %s: %s, without a fault", name, b.Recipe(b.Began).Title)
	for _, f := range b.LeftOut {
		k.look("settings", "steadybath bath set sets it again; steadybath void NUMBER takes it away", "bath %s: %s", name, f.Why)
	}
	k.titrations(b)
}

func (k *checkup) chain(name string, rows []journal.Row) {
	count, head, err := journal.Verify("", func(yield func(journal.Row, error) bool) {
		for _, r := range rows {
			if !yield(r, nil) {
				return
			}
		}
	})
	if err != nil {
		k.fault("chain", "it was changed behind the tool's back; compare with an export or a printed chain head", "%s: %v", chainName(name), err)
		return
	}
	k.ok("chain", "%s: all %d facts fit, head %s", chainName(name), count, clipHash(head))
}

func clipHash(head string) string { return head[:min(12, len(head))] }

// titrations computes every standing titration anew.
func (k *checkup) titrations(b *estimate.Bath) {
	good := 0
	for _, f := range b.Facts {
		a, isAssay := f.Body.(chem.Assay)
		if !isAssay || a.Titration == nil || len(a.Titration.Delivered) == 0 {
			continue
		}
		why, cure := follows(b.Recipe(f.Time), a)
		if why == "" {
			good++
			continue
		}
		k.look("titration", fmt.Sprintf(cure, f.Number), "bath %s: fact %d, %s of %s: %s", b.Name, f.Number, a.Of, f.Time.UTC().Format(time.DateOnly), why)
	}
	if good > 0 {
		k.ok("titration", "bath %s: %d follow from their readings", b.Name, good)
	}
}

// follows tells why an assay's concentration is not what its readings give with
// the recipe's method, or "". The cure has a place for the fact's number.
func follows(r *chem.Recipe, a chem.Assay) (why, cure string) {
	cure = "steadybath void %d, and titrate again with --at and the readings, if they are right; else the value stands as it is"
	method, ok := r.Method(a.Of, a.Titration.Method)
	if !ok {
		return fmt.Sprintf("the recipe has no method %q to compute it anew", a.Titration.Method),
			"the value stands as it is; steadybath void %d, and titrate again with --at and a --method of the recipe, if it was one of them"
	}
	setup, err := a.Titration.Setup(method)
	if err != nil {
		return err.Error(), cure
	}
	result, err := setup.Result()
	if err != nil {
		return err.Error(), cure
	}
	anew, _, err := result.Assay(a.Value.Unit)
	if err != nil {
		return err.Error(), cure
	}
	// The value may have been rounded to its last digit, and the new one is to its own.
	places := min(a.Value.Number.Places(), anew.Number.Places())
	if math.Abs(anew.Number.Float()-a.Value.Number.Float()) <= math.Pow10(-places)*(0.5+1e-6) {
		return "", ""
	}
	return fmt.Sprintf("%s is written, and its readings give %s", a.Value.Number+" "+chem.Decimal(a.Value.Unit), anew.Number+" "+chem.Decimal(anew.Unit)), cure
}

// shellWord quotes a path for a shell where it needs to be.
func shellWord(s string) string {
	if strings.ContainsFunc(s, func(r rune) bool {
		return !strings.ContainsRune("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789/._-+", r)
	}) {
		return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
	}
	return s
}
