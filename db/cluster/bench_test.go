package cluster

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

func benchQuery(b *testing.B, s *Server) {
	conn, err := pgx.Connect(context.Background(), s.DSN(Owner))
	require.NoError(b, err)
	var n int
	require.NoError(b, conn.QueryRow(context.Background(), "select 1").Scan(&n))
	require.NoError(b, conn.Close(context.Background()))
}

// BenchmarkFirstCommand is from nothing to the first answer.
func BenchmarkFirstCommand(b *testing.B) {
	for b.Loop() {
		bed := newBed(b, "home")
		benchQuery(b, bed.ensure())
		b.StopTimer()
		bed.remove()
		b.StartTimer()
	}
}

// BenchmarkColdStart is from a stopped server to the first answer.
func BenchmarkColdStart(b *testing.B) {
	bed := newBed(b, "home")
	bed.ensure()
	for b.Loop() {
		b.StopTimer()
		bed.stop()
		b.StartTimer()
		benchQuery(b, bed.ensure())
	}
}

// BenchmarkWarm is what a command pays while the server runs: finding it, and
// finding it with the command's own connection and query.
func BenchmarkWarm(b *testing.B) {
	bed := newBed(b, "home")
	s := bed.ensure()
	b.Run("ensure", func(b *testing.B) {
		for b.Loop() {
			bed.ensure()
		}
	})
	b.Run("connect", func(b *testing.B) {
		for b.Loop() {
			benchQuery(b, s)
		}
	})
	b.Run("ensure and connect", func(b *testing.B) {
		for b.Loop() {
			benchQuery(b, bed.ensure())
		}
	})
}
