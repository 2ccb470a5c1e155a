package db

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Looking makes nothing: neither a schema nor a role, and it does not mind that
// there is none.
func TestLookChangesNothing(t *testing.T) {
	ctx := t.Context()
	database := emptyDatabase(t, "template0")
	s, err := Look(ctx, Options{URL: dsn(database, admin)})
	require.NoError(t, err)
	defer s.Close()
	applied, err := s.Applied(ctx)
	require.NoError(t, err)
	require.Zero(t, applied.Have)
	require.Positive(t, applied.Know)
	about, err := s.About(ctx)
	require.NoError(t, err)
	require.Equal(t, "UTF8", about.Encoding)
	require.True(t, about.Local)
	require.Less(t, about.Apart.Abs(), time.Minute)
	rights, err := s.Rights(ctx)
	require.NoError(t, err)
	require.True(t, rights.Superuser)
	require.Len(t, rights.NoRule, 3)
	again, err := s.Version(ctx)
	require.NoError(t, err)
	require.Zero(t, again)
}

func TestRights(t *testing.T) {
	database := newDatabase(t)
	for user, want := range map[string]Rights{
		"anna": {Read: true, Insert: true},
		"rita": {Read: true},
		"otto": {},
		admin:  {Superuser: true, Owner: true, Read: true, Insert: true, Change: true},
	} {
		t.Run(user, func(t *testing.T) {
			s, err := Look(t.Context(), Options{URL: dsn(database, user)})
			require.NoError(t, err)
			defer s.Close()
			got, err := s.Rights(t.Context())
			require.NoError(t, err)
			want.User, want.NoRole, want.NoRule = user, []string{}, []string{}
			require.Equal(t, want, got)
		})
	}
}

func TestRowsOfKinds(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	first := bathRow("b")
	mustAppend(t, s, first, plateRow("b", "1"), plateRow("b", "2"))
	rows, err := s.RowsOfKinds(t.Context(), "b", "plate", "void")
	require.NoError(t, err)
	require.Len(t, rows, 2)
	require.Equal(t, "2", rows[1].Value)
}
