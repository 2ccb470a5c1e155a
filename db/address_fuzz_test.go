package db

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"
)

// secret is the part of a made-up password that can be told from everything else.
const secret = "geheimXq7"

// failures are how a connection can fail, with what servers of PostgreSQL 15 say
// (src/backend/libpq/auth.c, utils/init/postinit.c, utils/misc/guc.c: remembered):
// their messages quote the user, the database and the settings of the address.
func failures(c *pgx.ConnConfig) []error {
	out := []error{
		context.DeadlineExceeded,
		&net.OpError{Op: "dial", Net: "tcp", Err: errors.New("connect: connection refused")},
		&net.DNSError{Err: "no such host", Name: c.Host},
		pgconn.ErrReadOnlyConnection,
		errors.New("failed to connect to `host=" + c.Host + " user=" + c.User + " database=" + c.Database + "`"),
		&pgconn.PgError{Code: "28P01", Message: fmt.Sprintf("password authentication failed for user %q", c.User)},
		&pgconn.PgError{Code: "28000", Message: fmt.Sprintf("no pg_hba.conf entry for host \"10.0.0.7\", user %q, database %q, SSL off", c.User, c.Database)},
		&pgconn.PgError{Code: "3D000", Message: fmt.Sprintf("database %q does not exist", c.Database)},
		&pgconn.PgError{Code: "53300", Message: "sorry, too many clients already"},
		&pgconn.PgError{Code: "57P03", Message: "the database system is starting up"},
		&pgconn.PgError{Code: "42501", Message: fmt.Sprintf("permission denied for database %q", c.Database)},
	}
	for key, value := range c.RuntimeParams {
		out = append(out, &pgconn.PgError{Code: "42704", Message: fmt.Sprintf("unrecognized configuration parameter %q", key)},
			&pgconn.PgError{Code: "22023", Message: fmt.Sprintf("invalid value for parameter %q: %q", key, value)})
	}
	return out
}

// An address of a database as people type it, its password with or without the
// codes that special characters want, or with characters that part the address
// elsewhere than was meant: no refusal and no failure to connect ever shows the
// password, and one that is written rightly is read as it was meant.
func FuzzAddress(f *testing.F) {
	for _, v := range os.Environ() { // what is set here is not the address
		if name, _, _ := strings.Cut(v, "="); strings.HasPrefix(name, "PG") {
			f.Setenv(name, "")
			require.NoError(f, os.Unsetenv(name))
		}
	}
	for _, c := range [][6]string{
		{"", "", "anna", "db1", "records", ""}, {"12/", "", "anna", "db1", "records", ""}, {"12?", "", "anna", "db1:5433", "records", ""}, {"12#", "!", "anna", "db1,db2", "records", "sslmode=require"},
		{"p@", "/w", "anna", "localhost", "records", ""}, {"%", "%zz", "anna", "[::1]", "records", "connect_timeout=3"}, {"a ", "b", "anna", "db1", "records", ""}, {"'", `\`, "anna", "/run/postgresql", "records", ""},
		{":", "", "", "", "", ""}, {"a", "", "me@server", "db1", "my shop", "target_session_attrs=any"}, {"x", "\x00", "ä", "db1", "ü", "application_name=round"}, {"5432/", "", "anna", "db1", "r", ""},
	} {
		f.Add(c[0], c[1], c[2], c[3], c[4], c[5])
	}
	f.Fuzz(func(t *testing.T, before, after, user, host, database, more string) {
		if strings.Contains(user+host+database+more, secret) || strings.Contains(strings.ToLower(more), "service") || strings.Contains(strings.ToLower(more), "pass") ||
			strings.Contains(strings.ToLower(more), "ssl") && more != "sslmode=require" {
			return // files elsewhere, and a second password
		}
		password := before + secret + after
		typed := []string{
			"postgres://" + user + ":" + password + "@" + host + "/" + database + "?" + more,
			"postgresql://" + user + ":" + password + "@" + host + "/" + database,
			"host=" + host + " user=" + user + " password=" + password + " dbname=" + database,
			password,
		}
		// A quotation mark or an equals sign that is not meant so can give part of a
		// password any other name.
		if strings.ContainsAny(password, "='\\") || strings.ContainsAny(user+host+database, "='\\ \t\r\n\f\v") {
			typed = append(typed[:2], typed[3])
		}
		for _, dsn := range typed {
			config, _, err := configure(dsn, Options{}, true)
			if err != nil {
				silent(t, dsn, err)
				continue
			}
			for _, failure := range failures(config.ConnConfig) {
				silent(t, dsn, connectError(failure, config.ConnConfig))
			}
		}
		if strings.ContainsAny(password+user+database, "\x00") || database == "" || user == "" || strings.TrimSpace(database) != database || strings.TrimSpace(user) != user {
			return
		}
		// PathEscape leaves @ as it is, which behind a password can be the end of it.
		right := "postgres://" + url.UserPassword(user, password).String() + "@db1:5433/" + strings.ReplaceAll(url.PathEscape(database), "@", "%40")
		quote := func(s string) string { return "'" + strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(s) + "'" }
		for _, dsn := range []string{right, "host=db1 port=5433 user=" + quote(user) + " password=" + quote(password) + " dbname=" + quote(database)} {
			config, _, err := configure(dsn, Options{}, true)
			require.NoError(t, err, dsn)
			c := config.ConnConfig
			require.Equal(t, []any{user, password, "db1", uint16(5433), database}, []any{c.User, c.Password, c.Host, c.Port, c.Database}, dsn)
			require.Equal(t, connectTimeout, c.ConnectTimeout)
			for _, failure := range failures(c) {
				silent(t, dsn, connectError(failure, c))
			}
		}
	})
}

// silent asserts that nothing that is printed of an error tells the password.
func silent(t *testing.T, dsn string, err error) {
	t.Helper()
	said := err.Error()
	var known *Error
	if errors.As(err, &known) {
		said += "\n" + known.Help
	}
	require.NotEmpty(t, err.Error())
	require.NotContains(t, said, secret, "for %q", dsn)
	require.NotContains(t, said, url.QueryEscape(secret))
}
