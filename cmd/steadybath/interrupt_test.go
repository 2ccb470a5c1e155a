package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"

	"github.com/stretchr/testify/require"
)

// A question must not outlive the person's patience: an interrupt ends the wait
// although nothing is ever answered, and nothing is written.
func TestInterruptEndsAQuestion(t *testing.T) {
	never, keep := io.Pipe()
	defer keep.Close()
	var stdout, stderr bytes.Buffer
	s := newSession(never, &stdout, &stderr, func(string) string { return "" })
	ctx, interrupt := context.WithCancel(context.Background())
	interrupt()
	_, err := s.ask(ctx, "how much? ")
	require.ErrorIs(t, err, context.Canceled)
	stderr.Reset()
	require.Equal(t, statusRefused, report(errors.Join(err), &stderr, false))
	require.Equal(t, "steadybath: stopped\nhint: nothing was written\n", stderr.String())
	require.Empty(t, stdout.String())
}
