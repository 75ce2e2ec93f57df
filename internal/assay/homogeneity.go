package assay

import (
	"fmt"
	"math/big"
	"slices"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Position is what was found at one place of a bar or at one time of a pour.
type Position struct {
	Name   string              `json:"name"` // such as top, bottom, start of pour
	Values []quantity.Fineness `json:"values"`
}

// PositionMean is the mean at one position.
type PositionMean struct {
	Name  string           `json:"name"`
	Count int              `json:"count"`
	Mean  quantity.Decimal `json:"mean"` // ppt, shown to 6 places
}

// Homogeneity compares the positions of a bar. Decimals are parts per thousand, shown to 6 places; they are compared
// exactly.
type Homogeneity struct {
	Positions []PositionMean   `json:"positions"`
	Mean      quantity.Decimal `json:"mean"`  // of the position means
	Range     quantity.Decimal `json:"range"` // largest position mean less smallest
	Highest   string           `json:"highest"`
	Lowest    string           `json:"lowest"`
	Limit     quantity.Decimal `json:"limit,omitzero"`
	Within    bool             `json:"within"` // range <= limit
	Words     string           `json:"words"`
}

// Compare compares the means of two or more positions of one bar with a limit in parts per thousand; equal is within it.
// It tells only of what was sampled: a bar can be alike where it was drilled and differ elsewhere.
func Compare(positions []Position, limit quantity.Decimal) (Homogeneity, error) {
	if len(positions) < 2 || len(positions) > maxPortions {
		return Homogeneity{}, refusal.Invalidf("POSITIONS_COUNT", "positions", "%d positions were given; give 2 to %d", len(positions), maxPortions)
	}
	if limit.Sign() <= 0 {
		return Homogeneity{}, refusal.Invalidf("LIMIT_NOT_POSITIVE", "limit", "a limit of %s ppt is missing or not possible; it must be more than zero", limit).With("value", limit.String())
	}
	names := map[string]bool{}
	var groups [][]*big.Rat
	var order []string
	for i, p := range positions {
		at := fmt.Sprintf("positions[%d]", i)
		if err := name(p.Name, at+".name"); err != nil {
			return Homogeneity{}, err
		}
		if names[p.Name] {
			return Homogeneity{}, refusal.Invalidf("POSITION_REPEATED", at+".name", "%q is given twice; put all its values in one", p.Name).With("value", p.Name)
		}
		names[p.Name] = true
		if len(p.Values) == 0 || len(p.Values) > maxPortions {
			return Homogeneity{}, refusal.Invalidf("POSITION_VALUES", at+".values", "%d values were given; a position has 1 to %d", len(p.Values), maxPortions)
		}
		var values []*big.Rat
		for j, v := range p.Values {
			if v.IsZero() {
				return Homogeneity{}, refusal.Invalidf("FINENESS_MISSING", fmt.Sprintf("%s.values[%d]", at, j), "a result is missing; give a number and a unit, such as 812.44 ppt")
			}
			values = append(values, v.PerMille().Rat())
		}
		order, groups = append(order, p.Name), append(groups, values)
	}
	h := homogeneity(order, groups)
	h.judge(groups, limit)
	return h, nil
}

// homogeneity describes groups of exact results, named in order.
func homogeneity(order []string, groups [][]*big.Rat) Homogeneity {
	var h Homogeneity
	var means []*big.Rat
	for i, group := range groups {
		means = append(means, mean(group))
		h.Positions = append(h.Positions, PositionMean{order[i], len(group), shown(means[i])})
	}
	high := slices.Index(means, slices.MaxFunc(means, (*big.Rat).Cmp))
	low := slices.Index(means, slices.MinFunc(means, (*big.Rat).Cmp))
	h.Mean, h.Range = shown(mean(means)), shown(spread(means))
	h.Highest, h.Lowest = order[high], order[low]
	return h
}

func (h *Homogeneity) judge(groups [][]*big.Rat, limit quantity.Decimal) {
	var means []*big.Rat
	for _, group := range groups {
		means = append(means, mean(group))
	}
	h.Limit, h.Within = limit, spread(means).Cmp(limit.Rat()) <= 0
	h.Words = fmt.Sprintf("the positions range over %s ppt, within %s ppt", h.Range, limit)
	if !h.Within {
		h.Words = fmt.Sprintf("%s is %s ppt above %s, more than %s ppt: the metal is not alike throughout; melt again before any exchange", h.Highest, h.Range, h.Lowest, limit)
	}
}

// positions describes the portions of a sheet by position; nil when fewer than two positions are named or one is not.
func (w Worksheet) positions(values []*big.Rat) *Homogeneity {
	var order []string
	var groups [][]*big.Rat
	for i, p := range w.Portions {
		if p.Position == "" {
			return nil
		}
		at := slices.Index(order, p.Position)
		if at < 0 {
			at, order, groups = len(order), append(order, p.Position), append(groups, nil)
		}
		groups[at] = append(groups[at], values[i])
	}
	if len(order) < 2 {
		return nil
	}
	h := homogeneity(order, groups)
	if !w.Limits.Duplicate.IsZero() {
		h.judge(groups, w.Limits.Duplicate)
	} else {
		h.Words = fmt.Sprintf("%s is %s ppt above %s", h.Highest, h.Range, h.Lowest)
	}
	return &h
}
