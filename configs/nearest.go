package configs

import "strings"

// nearest finds the known word that an unknown one was probably meant to be;
// it is empty where none is near.
//
// A word is near when at most a third of its letters must be changed, or when
// one of the two begins with the other, as limits does limits_mm.
func nearest(word string, known []string) string {
	const longest = 64
	if len(word) == 0 || len(word) > longest {
		return ""
	}
	folded := strings.ReplaceAll(strings.ToLower(word), "-", "_")
	best, bestDistance := "", longest
	for _, k := range known {
		target := strings.ReplaceAll(strings.ToLower(k), "-", "_")
		d := editDistance(folded, target)
		if len(folded) >= 3 && (strings.HasPrefix(target, folded) || strings.HasPrefix(folded, target)) {
			d = min(d, 1)
		}
		if d <= max(1, len(target)/3) && d < min(bestDistance, len(folded)) {
			best, bestDistance = k, d
		}
	}
	return best
}

// editDistance counts the letters to be inserted, removed, replaced or swapped
// with their neighbour to make one word of the other (Damerau's distance with
// non-overlapping swaps).
func editDistance(from, to string) int {
	a, b := []rune(from), []rune(to)
	before := make([]int, len(b)+1) // the row before the last
	last := make([]int, len(b)+1)
	row := make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
