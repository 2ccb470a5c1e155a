package cluster

import (
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"
)

// lock takes the one lock around finding, making, starting, stopping and
// upgrading a cluster. The system gives it back when the holder dies, however
// it dies. The file itself stays: removing it would let two holders in.
func lock(ctx context.Context, path string, log func(string, ...any)) (unlock func(), err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock the private database: %w", err)
	}
	start, said := time.Now(), false
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case err == nil:
			return func() { _ = f.Close() }, nil
		case errors.Is(err, syscall.EINTR):
			continue
		case !errors.Is(err, syscall.EWOULDBLOCK):
			_ = f.Close()
			return nil, fmt.Errorf("lock the private database: %s: %w", path, err)
		}
		if !said && time.Since(start) > 3*time.Second {
			said = true
			log("another steadybath is making, starting or upgrading the private database; waiting")
		}
		sleep(ctx, pollEvery)
		if ctx.Err() != nil {
			_ = f.Close()
			return nil, fmt.Errorf("wait for another steadybath that holds the private database: %w", ctx.Err())
		}
	}
}
