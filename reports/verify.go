package reports

import (
	"fmt"
	"io"
	"strings"

	"steadybath/chem/journal"
)

// VerifiedChain is what a walk along one chain came to.
type VerifiedChain struct {
	Bath   string // empty for the shop
	Facts  int64  // that fit, up to the first that does not
	Head   string // hash of the last of them
	Broken *journal.BrokenError
}

// Title names the chain for people.
func (v VerifiedChain) Title() string {
	if v.Bath == "" {
		return "the shop"
	}
	return "bath " + Plain(v.Bath)
}

type brokenJSON struct {
	Number int64  `json:"number"`
	ID     string `json:"id"`
	Column string `json:"column"`
	Why    string `json:"why"`
}

type verifiedJSON struct {
	Bath   string      `json:"bath"`
	Facts  int64       `json:"facts"`
	Whole  bool        `json:"whole"`
	Head   string      `json:"head"`
	Broken *brokenJSON `json:"broken"`
}

// VerifiedJSON writes what a walk along chains came to as one JSON object.
func VerifiedJSON(w io.Writer, chains []VerifiedChain) error {
	whole, list := true, []verifiedJSON{}
	for _, v := range chains {
		j := verifiedJSON{Bath: v.Bath, Facts: v.Facts, Whole: v.Broken == nil, Head: v.Head}
		if b := v.Broken; b != nil {
			whole = false
			j.Broken = &brokenJSON{b.Number, b.ID, b.Column, b.Why}
		}
		list = append(list, j)
	}
	return WriteJSON(w, struct {
		Whole  bool           `json:"whole"`
		Chains []verifiedJSON `json:"chains"`
	}{whole, list})
}

// Verified writes what a walk along chains came to, the heads whole, so that they
// can be compared with printed ones. A head is too long for a line of 80 columns
// beside words.
func Verified(w io.Writer, chains []VerifiedChain) error {
	b := &strings.Builder{}
	for _, v := range chains {
		fit := fmt.Sprintf("%s: all %d facts fit the chain, head", v.Title(), v.Facts)
		if v.Broken != nil {
			fit = fmt.Sprintf("%s: the first %d facts fit the chain, and no further; head", v.Title(), v.Facts)
		}
		fmt.Fprintf(b, "%s\n   %s\n", wrap(fit, width, "   "), v.Head)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
