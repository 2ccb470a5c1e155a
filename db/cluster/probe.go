package cluster

import (
	"context"
	"fmt"
	"net"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5/pgproto3"
)

// refusal is the server's own answer to a connection it does not take.
type refusal struct {
	code, message string // SQLSTATE and text
}

func (r *refusal) Error() string { return fmt.Sprintf("%s (SQLSTATE %s)", r.message, r.code) }

// probe logs in as the owner and leaves again. It speaks the protocol itself,
// because a client library reads PGSERVICE, PGOPTIONS and the like from the
// environment, none of which may decide whether the private server runs.
// A *refusal means that the server answered.
func (p *place) probe(ctx context.Context, socketDir string) error {
	var d net.Dialer
	conn, err := d.DialContext(ctx, "unix", filepath.Join(socketDir, socketName(Port)))
	if err != nil {
		return err
	}
	defer conn.Close()
	until := time.Now().Add(10 * time.Second)
	if sooner, ok := ctx.Deadline(); ok && sooner.Before(until) {
		until = sooner
	}
	_ = conn.SetDeadline(until)
	fe := pgproto3.NewFrontend(conn, conn)
	fe.Send(&pgproto3.StartupMessage{
		ProtocolVersion: pgproto3.ProtocolVersion30,
		Parameters:      map[string]string{"user": Owner, "database": Database, "application_name": "steadybath probe"},
	})
	if err := fe.Flush(); err != nil {
		return err
	}
	for {
		msg, err := fe.Receive()
		if err != nil {
			return err
		}
		switch m := msg.(type) {
		case *pgproto3.ErrorResponse:
			return &refusal{code: m.Code, message: m.Message}
		case *pgproto3.ReadyForQuery:
			fe.Send(&pgproto3.Terminate{})
			return fe.Flush()
		}
	}
}
