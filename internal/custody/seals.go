package custody

import (
	"fmt"
	"slices"
	"strings"

	"barward/internal/refusal"
)

// CompareSeals compares the seals on record with those found, in any order: missing are on record and not found, unknown
// are found and not on record, each sorted. Spaces around a number are dropped, and nothing else about it is changed.
func CompareSeals(expected, found []string) (missing, unknown []string) {
	return without(expected, found), without(found, expected)
}

// Reused returns those of the seals put on that known already has, sorted: a seal number is used once, on any box, ever.
// Whoever keeps the register of seals supplies known.
func Reused(putOn []string, known func(seal string) bool) []string {
	var used []string
	for _, seal := range normal(putOn) {
		if known(seal) {
			used = append(used, seal)
		}
	}
	return used
}

// normal trims, sorts and drops repeats and empty numbers; nil for none.
func normal(seals []string) []string {
	var out []string
	for _, seal := range seals {
		if seal = strings.TrimSpace(seal); seal != "" {
			out = append(out, seal)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func without(a, b []string) []string {
	in := map[string]bool{}
	for _, seal := range normal(b) {
		in[seal] = true
	}
	var out []string
	for _, seal := range normal(a) {
		if !in[seal] {
			out = append(out, seal)
		}
	}
	return out
}

func union(a, b []string) []string { return normal(slices.Concat(a, b)) }

func checkSeals(seals []string) error {
	if len(seals) > maxSeals {
		return refusal.Invalidf("SEALS_TOO_MANY", "", "%d seals are more than the %d allowed", len(seals), maxSeals)
	}
	seen := map[string]bool{}
	for i, seal := range seals {
		field := fmt.Sprintf("[%d]", i)
		trimmed := strings.TrimSpace(seal)
		switch {
		case trimmed == "":
			return refusal.Invalidf("SEAL_EMPTY", field, "a seal has no number; read it again, or leave it out and say so in the condition")
		case len(seal) > maxText:
			return refusal.Invalidf("TEXT_TOO_LONG", field, "a seal number of %d characters is longer than the %d allowed", len(seal), maxText)
		case seen[trimmed]:
			return refusal.Invalidf("SEAL_REPEATED", field, "seal %q is listed twice; each seal is listed once", trimmed).With("seal", trimmed)
		}
		seen[trimmed] = true
	}
	return nil
}
