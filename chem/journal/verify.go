package journal

import (
	"fmt"
	"iter"
)

// ChainCheck is a POSIX shell script that recomputes the chain of one bath from
// its exported journal on standard input with sha256sum alone, so that nobody
// has to believe this program. It prints the first line that does not fit and
// fails, or says that all fit and which hash is the last.
const ChainCheck = `( prev=; read -r header; while IFS= read -r line || test -n "$line"; do hash=${line##*,}
test "$hash" = "$(printf '%s\n%s\n' "$prev" "${line%,*}" | sha256sum | cut -d ' ' -f 1)" || { printf 'does not fit: %s\n' "$line"; exit 1; }
prev=$hash; done; echo "all fit, head $prev" )`

// BrokenError names the first row of a chain that does not fit.
type BrokenError struct {
	Number int64 // place of the row, from 1
	ID     string
	Column string // that differs, where that can be told
	Why    string

	row      *Row
	previous string // hash of the row before
}

// Error is one sentence: the row and what does not fit.
func (e *BrokenError) Error() string { return fmt.Sprintf("row %d (%s): %s", e.Number, e.ID, e.Why) }

// Verify walks one chain in its order and returns how many rows it took and the
// hash of the last, which is prev where there was none. prev is the hash of the
// row before the first, "" at the beginning. The first row that does not fit
// ends the walk with a *[BrokenError]: its hash is not that of the row before
// and its own text, it belongs to another bath, it was not entered after the
// row before, or its number (where the rows have numbers) is not the next. An
// error among rows ends the walk too and is returned as it is. On an error
// count and head are those of the rows that fitted.
func Verify(prev string, rows iter.Seq2[Row, error]) (count int64, head string, err error) {
	head = prev
	var base int64 // the number before the first row's
	var last Row
	for r, err := range rows {
		if err != nil {
			return count, head, err
		}
		if count == 0 && prev != "" && r.Number != 0 {
			base = r.Number - 1
		}
		number := base + count + 1
		if column, why := misfit(head, number, count > 0, &last, &r); why != "" {
			return count, head, &BrokenError{Number: number, ID: r.ID.String(), Column: column, Why: why, row: &r, previous: head}
		}
		count, head, last = count+1, r.Hash, r
	}
	return count, head, nil
}

func misfit(head string, number int64, follows bool, last, r *Row) (column, why string) {
	switch {
	case r.Number != 0 && r.Number != number:
		return "number", fmt.Sprintf("number %d stands in its place; rows are missing, or stand twice", r.Number)
	case follows && r.Bath != last.Bath:
		return "bath", fmt.Sprintf("it belongs to %q, the chain to %q", r.Bath, last.Bath)
	case r.Hash == "":
		return "hash", "it has no hash"
	case r.Hash != r.Chain(head):
		return "", "its hash is not that of the row before and its own text; one of the two was changed, or rows are missing between them"
	case follows && !r.Entered.After(last.Entered):
		return "entered", fmt.Sprintf("it was entered at %s, not after the row before it (%s)", FormatTime(r.Entered), FormatTime(last.Entered))
	}
	return "", ""
}
