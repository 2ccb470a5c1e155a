package journal

import (
	"crypto/sha256"
	"strconv"

	"github.com/google/uuid"
)

// DeriveID names a row that came without an id, so that the same journal read
// twice gives the same ids. The database computes the same in SQL; exactly:
//
//  1. text = the first eight columns (time, bath, kind, subject, value, unit, u,
//     note) as [Row.Line] writes them: time by [TimeLayout]; bath, kind, subject,
//     unit and note with \ as \\, a line feed as \n, a carriage return as \r, and
//     then, where the field has a comma or a double quote, in double quotes with
//     each double quote doubled; value and u as they are; joined by commas. In a
//     row written by hand the words that were read as keys are in more by now,
//     not in the note.
//  2. text, a line feed, the ordinal in decimal; as UTF-8.
//  3. the first 16 bytes of its SHA-256.
//  4. byte 6 = (byte 6 AND 0x0F) OR 0x80 (version 8), byte 8 = (byte 8 AND 0x3F)
//     OR 0x80 (variant), counted from 0.
//
// The version and variant bits are those of RFC 9562, sections 4.1, 4.2 and 5.8.
//
// The ordinal counts rows of one journal whose eight columns are equal, from 1,
// in the order of the file, whatever their more says. Two journals may each
// hold a first row with equal columns and different more; they get one id, and
// whoever stores them must compare the rest and refuse, not pass over, the
// second.
func DeriveID(row Row, ordinal int) uuid.UUID {
	b := row.appendShort(make([]byte, 0, 256))
	b = strconv.AppendInt(append(b, '\n'), int64(ordinal), 10)
	sum := sha256.Sum256(b)
	id := uuid.UUID(sum[:16])
	id[6] = id[6]&0x0f | 0x80
	id[8] = id[8]&0x3f | 0x80
	return id
}
