package reports

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

type rgb [3]float64

func colour(t *testing.T, hex string) rgb {
	t.Helper()
	require.Regexp(t, `^#[0-9a-f]{6}$`, hex)
	var c rgb
	for i := range c {
		n, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
		require.NoError(t, err)
		c[i] = float64(n) / 255
	}
	return c
}

// over lays a colour on a ground, as a browser does with an opacity.
func over(top, ground rgb, opacity float64) (mixed rgb) {
	for i := range mixed {
		mixed[i] = opacity*top[i] + (1-opacity)*ground[i]
	}
	return mixed
}

// luminance and contrast are those of WCAG 2.2 (definitions "relative luminance" and "contrast ratio"; formulas from memory).
func luminance(c rgb) float64 {
	var linear rgb
	for i, x := range c {
		if x <= 0.04045 {
			linear[i] = x / 12.92
		} else {
			linear[i] = math.Pow((x+0.055)/1.055, 2.4)
		}
	}
	return 0.2126*linear[0] + 0.7152*linear[1] + 0.0722*linear[2]
}

func contrast(a, b rgb) float64 {
	la, lb := luminance(a), luminance(b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

// Black on white is 21 : 1 by the definition; #767676 on white is widely cited as the lightest grey that passes 4.5, and
// #777777 as the first that fails (4.54 and 4.48; from memory).
func TestPageContrastFormula(t *testing.T) {
	white := colour(t, "#ffffff")
	require.InDelta(t, 21, contrast(colour(t, "#000000"), white), 1e-9)
	require.InDelta(t, 4.54, contrast(colour(t, "#767676"), white), 0.005)
	require.InDelta(t, 4.48, contrast(colour(t, "#777777"), white), 0.005)
}

// Text needs 4.5 : 1 (WCAG 2.2, 1.4.3), what must be seen to understand a picture 3 : 1 (1.4.11), on every ground it meets.
func TestPageColoursCanBeTold(t *testing.T) {
	for _, scheme := range []string{"light", "dark"} {
		of := func(name string) rgb {
			c, ok := palette[name]
			require.True(t, ok, name)
			if scheme == "light" {
				return colour(t, c.light)
			}
			return colour(t, c.dark)
		}
		card := of("card")
		window := over(of("window"), card, windowOpacity)
		grounds := map[string]rgb{
			"page": of("page"), "card": card, "window": window,
			"band": over(of("line"), card, bandOpacity), "band in the window": over(of("line"), window, bandOpacity),
		}
		check := func(least float64, names []string, on ...string) {
			for _, name := range names {
				for _, ground := range on {
					t.Run(fmt.Sprintf("%s/%s on %s", scheme, name, ground), func(t *testing.T) {
						require.GreaterOrEqual(t, contrast(of(name), grounds[ground]), least)
					})
				}
			}
		}
		check(4.5, []string{"ink", "soft", "now", "soon", "later"}, "page", "card")
		check(4.5, []string{"edge"}, "card")
		check(3, []string{"edge"}, "card", "window", "band", "band in the window")
		check(3, []string{"line", "read", "off"}, "card", "window", "band", "band in the window")
		check(3, []string{"add", "bail", "treat", "other", "bar"}, "card")
		check(3, []string{"add"}, "page") // the ring around what has the keyboard
		check(3, []string{"soft"}, "card", "page")
	}
}

// The style sheet and the scripts use no colour that the palette does not decide.
func TestPageColoursAreDecidedInOnePlace(t *testing.T) {
	css := paletteCSS()
	for name := range palette {
		require.Equal(t, 3, strings.Count(css, "--"+name+":"), name)
	}
	require.NotRegexp(t, `#[0-9a-fA-F]{6}|rgb\(`, pageCSS)
	require.NotRegexp(t, `#[0-9a-fA-F]{3,6}\b|rgb\(`, pageJS)
}

// Signs must differ in outline, so that nobody needs colour to tell them apart.
func TestPageSignsDifferInOutline(t *testing.T) {
	seen := map[string]string{}
	for name, s := range shapes {
		require.Empty(t, seen[s.path], "%s looks like %s", name, seen[s.path])
		seen[s.path] = name
		require.Contains(t, palette, s.ink)
		require.NotEmpty(t, s.words)
	}
}
