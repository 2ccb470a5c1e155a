package journal

import "strings"

// nearest returns the one of names that s was most likely meant to be: equal
// but for case and underscores, or one slip of the keyboard away (a letter
// wrong, missing, too many, or two swapped). It returns "" where there is none.
func nearest(s string, names []string) string {
	bare := func(s string) string { return strings.ToLower(strings.ReplaceAll(s, "_", "")) }
	for _, name := range names {
		if bare(s) == bare(name) {
			return name
		}
	}
	if len(s) < 3 || len(s) > 40 {
		return ""
	}
	for _, name := range names {
		if oneSlip(strings.ToLower(s), strings.ToLower(name)) {
			return name
		}
	}
	return ""
}

func oneSlip(a, b string) bool {
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	a, b = a[i:], b[i:]
	switch len(a) - len(b) {
	case 0:
		return len(a) > 0 && (a[1:] == b[1:] || len(a) > 1 && a[0] == b[1] && a[1] == b[0] && a[2:] == b[2:])
	case 1:
		return a[1:] == b
	case -1:
		return a == b[1:]
	}
	return false
}
