package migrations

import (
	"crypto/sha256"
	"encoding/hex"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

// released pins what is in use somewhere: such a file is never edited again.
var released = map[string]string{
	"0001_facts.sql":  "48b57143e0845ec3c1ceac2eec1b0865d65459257befa0479bc2cdf5a0b6027c",
	"0002_views.sql":  "bc0aee0f995b97f4b83b35ab2521d6c85cd19df137848bc5aa3340c3671d369d",
	"0003_advice.sql": "2fbe411a93390bfd08fba946c02d30e804b048eadca06682b27f1637ed5fed5b",
	"0004_copies.sql": "9c54543ec4fbec4e65727d042699715721f0aecfc1efdf3ae56e634b81d134e9",
}

func TestReleasedFilesStay(t *testing.T) {
	all, err := All()
	require.NoError(t, err)
	require.NotEmpty(t, all)
	for _, m := range all {
		sum := sha256.Sum256([]byte(m.SQL))
		require.Equal(t, released[m.Name], hex.EncodeToString(sum[:]), "%s: a released file is never edited, write a new one; a new file's hash belongs into this test", m.Name)
	}
	require.Len(t, all, len(released))
}

func TestNamesAreChecked(t *testing.T) {
	file := &fstest.MapFile{Data: []byte("select 1")}
	for name, tc := range map[string]struct {
		files fstest.MapFS
		want  string
	}{
		"gap":       {fstest.MapFS{"0001_a.sql": file, "0003_b.sql": file}, "migration 0003_b.sql: number 0002 was expected"},
		"doubled":   {fstest.MapFS{"0001_a.sql": file, "0001_b.sql": file}, "migration 0001_b.sql: number 0002 was expected"},
		"no number": {fstest.MapFS{"first.sql": file}, "migration first.sql: the name must begin with four digits and an underscore"},
		"short":     {fstest.MapFS{"1_a.sql": file}, "migration 1_a.sql: the name must begin with four digits and an underscore"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := read(tc.files)
			require.EqualError(t, err, tc.want)
		})
	}
	all, err := read(fstest.MapFS{"0001_a.sql": file, "0002_b.sql": file})
	require.NoError(t, err)
	require.Equal(t, []Migration{{1, "0001_a.sql", "select 1"}, {2, "0002_b.sql", "select 1"}}, all)
}
