package estimate

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestTry(t *testing.T) {
	for _, name := range []string{"60 L", "200 L", "busy", "idle gaps", "by meter", "unlogged", "priors off", "lost bath", "no fill"} {
		in, n := map[string]int{}, map[string]int{}
		z2 := map[string]float64{}
		count := func(what string, s Sum, truth float64) {
			n[what]++
			z2[what] += sq((s.Value - truth) / s.U)
			if math.Abs(s.Value-truth) <= z90*s.U {
				in[what]++
			}
		}
		for seed := range uint64(60) {
			b, sim, err := groupOf(t, name).of(200, 1000+seed)
			require.NoError(t, err)
			last := sim.Last()
			for _, from := range []time.Time{{}, last.Time.AddDate(0, 0, -90)} {
				g, err := b.Ledger(from, last.Time)
				require.NoError(t, err)
				pre := ""
				was := sim.Truth[0]
				if !from.IsZero() {
					pre = "90 "
					was = sim.At(from)
				}
				anodes := 0.0
				for _, m := range last.Anodes {
					anodes += 1000 * m
				}
				count(pre+"anodes", g.Accounts[0].Closing, anodes)
				count(pre+"bath", g.Accounts[1].Closing, last.Amount["copper"])
				count(pre+"parts", g.Accounts[2].Closing, last.Metal.Plated)
				if pre == "" {
					bk := last.Books["copper"]
					count(pre+"out", g.Accounts[3].Closing, last.Metal.Sludge-last.Metal.Hung+bk.DraggedOut+bk.Sampled+bk.Bailed+bk.Lost-bk.Added+(last.Metal.Anodes-anodes))
				}
				count(pre+"open", g.Open, 0)
				for _, c := range g.Corrections {
					count(pre+"c "+c.Account+" "+c.Readings, c.Sum, 0)
				}
				for _, p := range g.Postings {
					var tr float64
					switch p.Cause {
					case "plated onto parts":
						tr = last.Metal.Plated - was.Metal.Plated
					case "sludge":
						tr = last.Metal.Sludge - was.Metal.Sludge
					case "drag-out":
						tr = last.Books["copper"].DraggedOut - was.Books["copper"].DraggedOut
					case "samples":
						tr = last.Books["copper"].Sampled - was.Books["copper"].Sampled
					default:
						continue
					}
					count(pre+"log "+p.Cause, p.Posted, tr)
					count(pre+"now "+p.Cause, p.Now, tr)
				}
			}
		}
		fmt.Println("==", name)
		for k := range n {
			fmt.Printf("%-45s %3d %5.1f %%  rms %.2f\n", k, n[k], 100*float64(in[k])/float64(n[k]), math.Sqrt(z2[k]/float64(n[k])))
		}
	}
}
