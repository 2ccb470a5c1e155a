package main

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"

	"steadybath/chem"
	"steadybath/db/cluster"
)

// draftFormat is the version of the file; another one is not read.
const draftFormat = 1

// draft is what was answered of a round so far, kept in a file of the tool's
// data folder after each answer, so that nothing is lost when it is stopped.
type draft struct {
	Format  int             `json:"format"`
	Bath    string          `json:"bath"`
	Began   time.Time       `json:"began"`
	Answers map[string]kept `json:"answers"`

	path   string
	broken error // why it cannot be kept
}

// kept is one answer, an empty one where the question was skipped. The id goes
// with it so that a round whose connection broke is never written twice.
type kept struct {
	Typed string    `json:"typed"`
	Why   string    `json:"why,omitempty"`
	ID    uuid.UUID `json:"id"`
}

// newDraft is that of a bath, named by the id of the fact that began it: baths
// of one name in two databases are two.
func newDraft(s *session, b *bathFile, began time.Time) *draft {
	d := &draft{Format: draftFormat, Bath: b.Name, Began: began, Answers: map[string]kept{}}
	home, err := cluster.DefaultHome(s.env)
	if err != nil {
		d.broken = err
		return d
	}
	for _, f := range b.entered {
		if f.Kind() == chem.KindBath {
			d.path = filepath.Join(home, "rounds", f.ID.String()+".json")
			break
		}
	}
	return d
}

// stopped reads the draft that an earlier round left, nil where there is none.
func (d *draft) stopped() *draft {
	if d.path == "" {
		return nil
	}
	text, err := os.ReadFile(d.path)
	if err != nil {
		return nil
	}
	var old draft
	if json.Unmarshal(text, &old) != nil || old.Format != draftFormat || old.count() == 0 {
		return nil
	}
	return &old
}

// count is how many questions were really answered.
func (d *draft) count() int {
	n := 0
	for _, a := range d.Answers {
		if a.Typed != "" {
			n++
		}
	}
	return n
}

func (d *draft) takeUp(old *draft) {
	d.Began, d.Answers = old.Began, old.Answers
}

func (d *draft) keep(id string, a kept) {
	d.Answers[id] = a
	if d.path == "" {
		return
	}
	d.broken = d.save()
}

func (d *draft) save() error {
	text, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(d.path), 0o700); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(d.path), ".round-*") // mode 0600
	if err != nil {
		return err
	}
	_, err = f.Write(append(text, '\n'))
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), d.path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}

// forget takes the file away; a round that was written must not come again.
func (d *draft) forget() {
	d.Answers = map[string]kept{}
	if d.path != "" {
		_ = os.Remove(d.path)
	}
}
