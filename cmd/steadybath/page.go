package main

import (
	"math"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
	"steadybath/reports"
)

// A page shows what is to come for a fifth of the span that it shows, so that what
// was keeps most of the room.
const (
	fanPart  = 0.2
	fanLeast = 14.0 // days
	fanMost  = 60.0 // days
)

// pageOf lays a bath out as a page, between two moments where they are given. The
// estimate is made with its track.
func (s *session) pageOf(c *cli.Context, b *bathFile, e *estimate.Estimate, sys reports.Units, from, to time.Time) (reports.Page, error) {
	begins := b.Began
	if from.After(begins) {
		begins = from
	}
	l := lookAhead{days: usualDays, seed: 1, fans: math.Round(min(max(fanPart*e.At.Sub(begins).Hours()/24, fanLeast), fanMost))}
	a, err := s.ahead(c, b, e, l)
	if err != nil {
		return reports.Page{}, err
	}
	// Anodes last longer than the rest is worth looking ahead for.
	anodes, days := a.forecast.Anodes, float64(usualDays)
	if slices.ContainsFunc(anodes, func(x forecast.Anode) bool { return x.Replace.P90.IsZero() && !math.IsNaN(x.Mass) }) {
		farther, err := forecast.Make(e, forecast.Options{Days: anodeDays, Seed: l.seed, Plan: a.plan})
		if err != nil {
			return reports.Page{}, refused("steadybath state shows what is known of the bath", "%v", err)
		}
		a.forecast.Anodes, days = farther.Anodes, anodeDays
	}
	ledger, err := b.Ledger(time.Time{}, e.At)
	if err != nil {
		return reports.Page{}, refused("ask for a later day", "%v", err)
	}
	first, err := b.At(b.Began, estimate.Options{})
	if err != nil {
		return reports.Page{}, refused("ask for a later day", "%v", err)
	}
	shop, err := s.shopEntered(c)
	if err != nil {
		return reports.Page{}, err
	}
	lots := slices.DeleteFunc(entry.TitrantLots(chem.Standing(shop), b.Facts, e.At.In(b.zone)), func(l entry.TitrantLot) bool { return l.Titrations == 0 })
	now, err := s.now()
	if err != nil {
		return reports.Page{}, err
	}
	return reports.BathPage(reports.PageInput{Estimate: e, Plan: a.plan, Forecast: a.forecast, AnodeDays: days, Ledger: ledger, Believed: first.Rates, Titrants: lots,
		Entered: b.entered, Zone: b.zone, Units: sys, From: from, To: to, Head: b.head, Made: now, Version: version}), nil
}
