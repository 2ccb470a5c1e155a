package db

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"steadybath/db/cluster"
)

// What a caller may want to tell apart with errors.Is.
var (
	ErrNewer       = errors.New("the database is newer than the program")
	ErrUnreachable = errors.New("the database cannot be reached")
	ErrOtherFact   = errors.New("the id belongs to a fact with other content")
)

// Error is a refusal or failure in one sentence, with what would help.
type Error struct {
	What  string // what was wrong and where
	Help  string // what to do about it, or ""
	Cause error  // what it came from, or nil; never printed, never holds a password
}

// Error returns the sentence without the hint.
func (e *Error) Error() string { return e.What }

// Hint returns what to do about it, or "".
func (e *Error) Hint() string { return e.Help }

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Cause }

// MaybeWritten says that the connection broke after the facts were sent to be
// committed and before the server's answer came: they may be there or not.
// Entering them again under the same ids is safe.
type MaybeWritten struct {
	IDs   []uuid.UUID // of the facts
	Cause error
}

// Error names the id, the first of several.
func (e *MaybeWritten) Error() string {
	if errors.Is(e.Cause, errUnconfirmed) {
		return "it is written, but the server's standby has not confirmed it, and a failover could still lose it"
	}
	switch len(e.IDs) {
	case 0:
		return "the connection broke, and the journal may have been written"
	case 1:
		return "the connection broke, and the fact " + e.IDs[0].String() + " may have been written"
	}
	return fmt.Sprintf("the connection broke, and %d facts may all have been written, the first of them %s", len(e.IDs), e.IDs[0])
}

// Hint says that trying again cannot enter anything twice.
func (e *MaybeWritten) Hint() string {
	if len(e.IDs) == 0 {
		return "import the same journal again: it adds nothing that is there already"
	}
	return "give the same command with --id " + e.IDs[0].String() + ": it enters nothing twice"
}

// Unwrap returns what broke.
func (e *MaybeWritten) Unwrap() error { return e.Cause }

// sentences says what each named rule of the database demands. Kinds' own rules
// are the last resort: journal.Decode says the same with the value at hand.
var sentences = map[string]string{
	"facts_pkey":        "another entry into the same bath was faster; try again",
	"facts_id":          "a fact with this id is there already",
	"facts_kind":        "this kind of fact is not known",
	"facts_whose":       "titrants and materials belong to the shop and name no bath; everything else names one",
	"facts_bath_first":  "there is no bath of this name",
	"facts_bath_once":   "there is a bath of this name already",
	"facts_time":        "the time must lie between the years 1900 and 9999",
	"facts_finite":      "a number must be finite",
	"facts_digits":      "a number may have 24 digits at most",
	"facts_u":           "an uncertainty needs a value beside it and may not be negative",
	"facts_id_given":    "a fact needs an id",
	"facts_more":        "the column more must be one JSON object without line breaks",
	"facts_bath":        "a bath needs the volume it is run at, above zero, such as 60 L, and no subject",
	"facts_setting":     "a setting needs the key it changes as its subject and the reason as its note",
	"facts_titrant":     "a titrant needs its name and a molarity above zero, in mol/L or mmol/L",
	"facts_material":    "a material needs its name and an amount, not below zero, as a mass or a volume",
	"facts_fill":        "a fill needs a volume above zero, such as 60 L, and no subject",
	"facts_level":       "a level needs a volume above zero, such as 58.2 L, and no subject",
	"facts_assay":       "an assay needs what was measured and its value: a concentration, a pH, a temperature or a density, not below zero where it cannot be",
	"facts_panel":       "a panel needs its organic; an amount read from it must be a concentration, not below zero",
	"facts_meter":       "a meter reading needs the name of the supply and a charge, not below zero, such as 120.5 Ah",
	"facts_plate":       "a plating run needs a charge above zero, such as 22.5 Ah",
	"facts_add":         "an addition needs its material and an amount above zero, as a mass or a volume",
	"facts_bail":        "a bail-out needs a volume above zero, such as 1.5 L, and no subject",
	"facts_treat":       "a treatment is carbon or peroxide with a mass or a volume, or dummy with a charge; the amount may be left out",
	"facts_change":      "a change is of bags or filter and has no value",
	"facts_hang":        "hanging an anode needs its id, which may not be \"all\"; a mass must be above zero",
	"facts_weigh":       "weighing an anode needs its id, which may not be \"all\", and a mass, not below zero",
	"facts_pull":        "pulling an anode needs its id or \"all\"; a mass may not be below zero",
	"facts_note":        "a note needs its text and has no value",
	"facts_void":        "a void needs the id of the fact it voids as its subject and the reason as its note",
	"facts_void_target": "the fact to be voided is not among the earlier facts of the bath",
	"facts_chain":       "the fact does not continue the bath's chain",
	"facts_append_only": "facts are never changed or deleted; void a wrong one",
}

// explain turns what the server or the driver said into a sentence. doing says
// what was tried, such as "enter the fact".
func explain(doing string, err error) error {
	var pg *pgconn.PgError
	switch {
	case err == nil:
		return nil
	case errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded):
		return fmt.Errorf("%s: %w", doing, err)
	case !errors.As(err, &pg):
		var known *Error
		if errors.As(err, &known) {
			return err
		}
		if errors.Is(err, errSilent) {
			return &Error{What: doing + ": the database does not answer any more", Help: "nothing was written; see whether the server and the network to it are up", Cause: errors.Join(ErrUnreachable, err)}
		}
		return &Error{What: doing + ": the connection to the database broke", Help: "nothing was written; try again", Cause: errors.Join(ErrUnreachable, err)}
	}
	if sentence, ok := sentences[pg.ConstraintName]; ok {
		return &Error{What: sentence, Cause: err}
	}
	switch {
	case pg.Code == "42501":
		return &Error{What: doing + ": this database user may not do that", Help: "entering facts takes a member of steadybath_writer, reading them one of steadybath_reader", Cause: err}
	case pg.Code == "25006":
		return &Error{What: doing + ": the database is read-only", Help: "it is a standby, or was set so; name its primary", Cause: err}
	case pg.Code == "40001" || pg.Code == "40P01" || pg.Code == "55P03":
		return &Error{What: doing + ": somebody else was entering facts at the same moment", Help: "nothing was written; try again", Cause: err}
	case pg.Code == "25P03":
		return &Error{What: doing + ": nothing came from here for so long that the database gave it up", Help: "nothing was written; try again", Cause: err}
	case pg.Code == "22P05" || pg.Code == "22021":
		return &Error{What: doing + ": the text holds a character that the database cannot keep", Cause: err}
	case pg.Code == "53100" || noRoom(pg.Message):
		return &Error{What: doing + ": the database's disk is full or lets no file grow", Help: "nothing was written; make room and try again", Cause: errors.Join(cluster.ErrDiskFull, err)}
	case pg.Code == "53300" || pg.Code == "53400":
		return &Error{What: doing + ": the database has no connection left", Help: "try again when other programs have ended", Cause: err}
	case strings.HasPrefix(pg.Code, "57P") || strings.HasPrefix(pg.Code, "08"):
		return &Error{What: doing + ": the database is going down or coming up", Help: "nothing was written; try again", Cause: errors.Join(ErrUnreachable, err)}
	}
	return fmt.Errorf("%s: %s (SQLSTATE %s)", doing, pg.Message, pg.Code)
}

// noRoom tells whether the server was refused room by other than a full disk,
// for which PostgreSQL has no code of its own: a quota, or a limit of a file's
// size.
func noRoom(message string) bool {
	return strings.Contains(message, "Disk quota exceeded") || strings.Contains(message, "File too large") || strings.Contains(message, "No space left on device")
}

// connectError says why no connection came about, from the host's and the
// server's answers only: the connection string stays out of it.
func connectError(err error, c *pgx.ConnConfig) error {
	where := hostOf(c.Host, c.Port)
	if len(c.Fallbacks) > 0 {
		hosts := []string{where}
		for _, f := range c.Fallbacks {
			h := hostOf(f.Host, f.Port)
			if h != hosts[len(hosts)-1] {
				hosts = append(hosts, h)
			}
		}
		where = strings.Join(hosts, ", ")
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		switch pg.Code {
		case "28P01", "28000":
			return &Error{What: fmt.Sprintf("the database at %s does not let %s in: %s", where, c.User, pg.Message), Help: "look at user and password in the address, or at ~/.pgpass", Cause: err}
		case "3D000":
			return &Error{What: fmt.Sprintf("the server at %s has no database %q", where, c.Database), Help: "make it with createdb, or name another in the address", Cause: err}
		case "53300":
			return &Error{What: fmt.Sprintf("the server at %s has no connection left", where), Help: "try again when other programs have ended", Cause: err}
		case "42704", "22023":
			// The message quotes the setting, which can be a part of a password.
			return &Error{What: fmt.Sprintf("the address of the database at %s has a setting that the server does not take", where), Help: "look at what stands behind its ?, or between its keys", Cause: err}
		case "57P01", "57P02", "57P03":
			return &Error{What: fmt.Sprintf("the server at %s is starting up or shutting down", where), Help: "try again in a moment", Cause: errors.Join(ErrUnreachable, err)}
		}
		return &Error{What: fmt.Sprintf("the server at %s refused: %s (SQLSTATE %s)", where, pg.Message, pg.Code), Cause: err}
	}
	if errors.Is(err, context.Canceled) {
		return err
	}
	why := "no answer"
	var op *net.OpError
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		why = "no answer in time"
	case errors.As(err, &op) && op.Err != nil:
		why = op.Err.Error()
	case errors.Is(err, pgconn.ErrReadOnlyConnection):
		why = "it takes no writes"
	}
	return &Error{What: fmt.Sprintf("cannot reach the database at %s: %s", where, why), Help: "check that the server runs and that the address is right", Cause: errors.Join(ErrUnreachable, err)}
}

// hostOf writes where a server is: the folder of its socket, or host and port.
func hostOf(host string, port uint16) string {
	if strings.HasPrefix(host, "/") {
		return host
	}
	return net.JoinHostPort(host, fmt.Sprint(port))
}
