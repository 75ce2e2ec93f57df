package assay

import (
	"fmt"
	"math/big"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// The computations of this file take a JSON document of figures, as a laboratory keeps it, and need no ledger. Each has
// an example in testdata/examples.

// AcceptInput is one laboratory's results of one thing in the order in which they were obtained, and how it accepts them.
type AcceptInput struct {
	Values []quantity.Fineness `json:"values"`
	Terms  ReplicateTerms      `json:"terms"`
}

// ReadAccept applies the procedure of ISO 5725-6:1994, clause 5.2, to an AcceptInput in JSON (see Accept).
func ReadAccept(b []byte) (Replicates, error) {
	var in AcceptInput
	if err := read(b, &in, "the replicates"); err != nil {
		return Replicates{}, err
	}
	return Accept(in.Values, in.Terms)
}

// PartingInput asks how much silver to add to a portion for parting, and, where Fine is given, how large a portion holds
// that much fine gold.
type PartingInput struct {
	Portion  quantity.Mass     `json:"portion,omitzero"`
	Gold     quantity.Fineness `json:"gold"`          // expected
	Silver   quantity.Fineness `json:"silver"`        // expected; 0 ppt for none
	Ratio    quantity.Decimal  `json:"ratio"`         // silver to gold by mass
	Fine     quantity.Mass     `json:"fine,omitzero"` // gold that the portion shall hold; instead of Portion
	Rounding quantity.Rounding `json:"rounding"`      // of each mass, in grams
}

// Parting is the answer to a PartingInput.
type Parting struct {
	Words   string        `json:"words"`
	Portion quantity.Mass `json:"portion"` // as given, or for Fine
	Silver  quantity.Mass `json:"silver"`  // to add
	Lead    string        `json:"lead"`    // foil that ISO 11426:2014 names for a portion of this size
}

// ReadParting answers a PartingInput in JSON (see SilverToAdd and PortionFor). It warns of a ratio outside the 2.3 to 3
// of ISO 11426:2014, 7.2.1.
func ReadParting(b []byte) (Parting, error) {
	var in PartingInput
	if err := read(b, &in, "the parting input"); err != nil {
		return Parting{}, err
	}
	if in.Portion.IsZero() == in.Fine.IsZero() {
		return Parting{}, refusal.Invalidf("PORTION_UNCLEAR", "portion", "give either the portion or the fine gold that it shall hold, and not both")
	}
	p := Parting{Portion: in.Portion}
	var err error
	if !in.Fine.IsZero() {
		if p.Portion, err = PortionFor(in.Fine, in.Gold, in.Rounding); err != nil {
			return Parting{}, err
		}
	}
	if p.Silver, err = SilverToAdd(p.Portion, in.Gold, in.Silver, in.Ratio, in.Rounding); err != nil {
		return Parting{}, err
	}
	p.Lead = leadFor(p.Portion)
	p.Words = fmt.Sprintf("to %s of sample add %s of silver (%s to 1 of gold) and %s", p.Portion, p.Silver, in.Ratio, p.Lead)
	if in.Ratio.Less(quantity.MustDecimal("2.3")) || quantity.NewDecimal(3).Less(in.Ratio) {
		p.Words += "; the ratio is outside the 2.3 to 3 of ISO 11426:2014, 7.2.1"
	}
	return p, nil
}

// leadFor names the lead foil for a portion, ISO 11426:2014, 7.2.1.
func leadFor(portion quantity.Mass) string {
	mg := portion.Grams().Shift(3)
	switch {
	case mg.Cmp(quantity.NewDecimal(200)) <= 0:
		return "4 g of lead foil or more"
	case mg.Cmp(quantity.NewDecimal(300)) <= 0:
		return "6 g of lead foil"
	}
	return "lead foil by your own method: ISO 11426 names it up to 300 mg only"
}

// HomogeneityInput is what was found at several positions of a bar, or by several kinds of sample of one melt.
type HomogeneityInput struct {
	Positions []Position       `json:"positions"`
	Limit     quantity.Decimal `json:"limit"` // of the range of the means, ppt
}

// ReadHomogeneity compares the positions of a HomogeneityInput in JSON (see Compare).
func ReadHomogeneity(b []byte) (Homogeneity, error) {
	var in HomogeneityInput
	if err := read(b, &in, "the homogeneity input"); err != nil {
		return Homogeneity{}, err
	}
	return Compare(in.Positions, in.Limit)
}

// Part is something that was weighed and assayed apart from the rest, such as clean metal or dross.
type Part struct {
	Name     string            `json:"name"`
	Mass     quantity.Mass     `json:"mass"`
	Fineness quantity.Fineness `json:"fineness"`
}

// BlendInput is the parts of one whole.
type BlendInput struct {
	Parts    []Part            `json:"parts"`
	Rounding quantity.Rounding `json:"rounding"` // of the mean fineness, in parts per thousand
}

// Blended is the whole that parts make.
type Blended struct {
	Words    string             `json:"words"`
	Mass     quantity.Mass      `json:"mass"`
	Fine     quantity.Decimal   `json:"fine_g"`  // exact
	Fines    []quantity.Decimal `json:"fines_g"` // of each part, exact
	Fineness quantity.Fineness  `json:"fineness"`
}

// Blend returns the fineness of a whole that was weighed and assayed in parts: Σ mass × fineness / Σ mass, rounded once.
// Dross skimmed off a melt is such a part; a plain mean of the finenesses would be wrong (Beringer 1904 has the case of
// clean lead and dross).
func Blend(in BlendInput) (Blended, error) {
	if len(in.Parts) < 1 || len(in.Parts) > maxPortions {
		return Blended{}, refusal.Invalidf("PARTS_COUNT", "parts", "%d parts were given; give 1 to %d", len(in.Parts), maxPortions)
	}
	var b Blended
	for i, p := range in.Parts {
		at := fmt.Sprintf("parts[%d]", i)
		if err := name(p.Name, at+".name"); err != nil {
			return Blended{}, err
		}
		if err := positive(p.Mass, at+".mass"); err != nil {
			return Blended{}, err
		}
		if p.Fineness.IsZero() {
			return Blended{}, refusal.Invalidf("FINENESS_MISSING", at+".fineness", "the fineness of %q is missing; give it, 0 ppt for none", clip(p.Name))
		}
		fine := p.Mass.Fine(p.Fineness)
		b.Mass, b.Fine, b.Fines = b.Mass.Add(p.Mass), b.Fine.Add(fine), append(b.Fines, fine)
	}
	if err := in.Rounding.Check(); err != nil {
		return Blended{}, refusal.In(err, "rounding")
	}
	exact := ratio(b.Fine.Rat(), b.Mass.Grams().Rat())
	var err error
	if b.Fineness, err = fineness(exact, in.Rounding); err != nil {
		return Blended{}, err
	}
	b.Words = fmt.Sprintf("%d parts of %s in all hold %s g of fine metal: %s", len(in.Parts), b.Mass, b.Fine, b.Fineness)
	return b, nil
}

// ReadBlend answers a BlendInput in JSON.
func ReadBlend(b []byte) (Blended, error) {
	var in BlendInput
	if err := read(b, &in, "the parts"); err != nil {
		return Blended{}, err
	}
	return Blend(in)
}

// RoundRobin is what several laboratories found of one thing, and what they are compared with.
type RoundRobin struct {
	Unit     string             `json:"unit"`               // of every figure here, such as ppt; for the words only
	Assigned *RoundRobinValue   `json:"assigned,omitempty"` // left out: the robust mean of the results (Algorithm A)
	Sigma    quantity.Decimal   `json:"sigma,omitzero"`     // for proficiency; left out: no z and z′
	Results  []RoundRobinResult `json:"results"`
	// Critical compares each two laboratories; left out: they are not compared.
	Critical *RoundRobinLimits `json:"critical,omitempty"`
}

// RoundRobinValue is the value taken for true.
type RoundRobinValue struct {
	Value       quantity.Decimal `json:"value"`
	Uncertainty quantity.Decimal `json:"uncertainty,omitzero"` // standard; left out: taken as 0, so no zeta and no En
	Expanded    quantity.Decimal `json:"expanded,omitzero"`    // k = 2; for En
}

// RoundRobinResult is what one laboratory found.
type RoundRobinResult struct {
	Laboratory  string           `json:"laboratory"`
	Value       quantity.Decimal `json:"value"`
	Repeats     int              `json:"repeats,omitempty"`    // results of which Value is the mean; needed for Critical
	Uncertainty quantity.Decimal `json:"uncertainty,omitzero"` // standard; for zeta
	Expanded    quantity.Decimal `json:"expanded,omitzero"`    // k = 2; for En
}

// RoundRobinLimits are the limits of the method, from its standard or a collaborative trial.
type RoundRobinLimits struct {
	Repeatability   quantity.Decimal `json:"repeatability_limit"`   // r = 2.8 σr
	Reproducibility quantity.Decimal `json:"reproducibility_limit"` // R = 2.8 σR
}

// Scored is how one laboratory did.
type Scored struct {
	Laboratory string `json:"laboratory"`
	Z          *Score `json:"z,omitempty"`
	ZPrime     *Score `json:"z_prime,omitempty"`
	Zeta       *Score `json:"zeta,omitempty"`
	En         *Score `json:"en,omitempty"`
}

// Pair is two laboratories compared.
type Pair struct {
	First      string           `json:"first"`
	Second     string           `json:"second"`
	Difference quantity.Decimal `json:"difference"`
	Critical   float64          `json:"critical_difference"`
	Within     bool             `json:"within"` // equal is within
}

// Scoring is the answer to a RoundRobin.
type Scoring struct {
	Words    string   `json:"words"`
	Robust   *Robust  `json:"robust,omitempty"` // of three results or more
	Assigned float64  `json:"assigned"`
	Scores   []Scored `json:"scores"`
	Pairs    []Pair   `json:"pairs,omitempty"`
}

// ReadScores scores a RoundRobin in JSON: z, z′, zeta and En as far as its figures allow, the robust mean, and the
// critical difference of each pair.
func ReadScores(b []byte) (Scoring, error) {
	var in RoundRobin
	if err := read(b, &in, "the round robin"); err != nil {
		return Scoring{}, err
	}
	return in.Score()
}

// Score is ReadScores for figures that were read.
func (in RoundRobin) Score() (Scoring, error) {
	if err := name(in.Unit, "unit"); err != nil {
		return Scoring{}, err
	}
	if len(in.Results) < 1 || len(in.Results) > maxLaboratories {
		return Scoring{}, refusal.Invalidf("COUNT_OUT_OF_RANGE", "results", "%d results were given; give 1 to %d", len(in.Results), maxLaboratories)
	}
	var s Scoring
	var values []float64
	for i, r := range in.Results {
		if err := name(r.Laboratory, fmt.Sprintf("results[%d].laboratory", i)); err != nil {
			return Scoring{}, err
		}
		values = append(values, r.Value.Float())
	}
	if len(values) >= 3 {
		robust, err := AlgorithmA(values)
		if err != nil {
			return Scoring{}, err
		}
		s.Robust = &robust
	}
	assigned := in.Assigned
	switch {
	case assigned != nil:
		s.Assigned = assigned.Value.Float()
	case s.Robust != nil:
		assigned, s.Assigned = &RoundRobinValue{}, s.Robust.Mean
	default:
		return Scoring{}, refusal.Invalidf("ASSIGNED_MISSING", "assigned", "no assigned value is given, and %d results have no robust mean; give the value, or three results", len(values))
	}
	actions := 0
	for i, r := range in.Results {
		scored, err := in.scoreOne(r, *assigned, s.Assigned)
		if err != nil {
			return Scoring{}, refusal.In(err, fmt.Sprintf("results[%d]", i))
		}
		for _, one := range []*Score{scored.Z, scored.En} {
			if one != nil && (one.Words == "action" || one.Words == "unsatisfactory") {
				actions++
				break
			}
		}
		s.Scores = append(s.Scores, scored)
	}
	outside, err := in.pairs(&s)
	if err != nil {
		return Scoring{}, refusal.In(err, "critical")
	}
	s.Words = fmt.Sprintf("%d results against %.6g %s: %d call for action", len(values), s.Assigned, in.Unit, actions)
	if in.Critical != nil {
		s.Words += fmt.Sprintf("; %d of %d pairs differ by more than their critical difference", outside, len(s.Pairs))
	}
	return s, nil
}

// scoreOne computes the scores that the figures of one laboratory allow.
func (in RoundRobin) scoreOne(r RoundRobinResult, assigned RoundRobinValue, value float64) (Scored, error) {
	out := Scored{Laboratory: r.Laboratory}
	for _, one := range []struct {
		into    **Score
		allowed bool
		score   func() (Score, error)
	}{
		{&out.Z, !in.Sigma.IsZero(), func() (Score, error) { return Z(r.Value.Float(), value, in.Sigma.Float()) }},
		{&out.ZPrime, !in.Sigma.IsZero() && !assigned.Uncertainty.IsZero(), func() (Score, error) {
			return ZPrime(r.Value.Float(), value, in.Sigma.Float(), assigned.Uncertainty.Float())
		}},
		{&out.Zeta, !r.Uncertainty.IsZero() && !assigned.Uncertainty.IsZero(), func() (Score, error) {
			return Zeta(r.Value.Float(), r.Uncertainty.Float(), value, assigned.Uncertainty.Float())
		}},
		{&out.En, !r.Expanded.IsZero() && !assigned.Expanded.IsZero(), func() (Score, error) {
			return En(r.Value.Float(), r.Expanded.Float(), value, assigned.Expanded.Float())
		}},
	} {
		if !one.allowed {
			continue
		}
		score, err := one.score()
		if err != nil {
			return Scored{}, err
		}
		*one.into = &score
	}
	return out, nil
}

// pairs compares each two laboratories with the critical difference for their numbers of repeats.
func (in RoundRobin) pairs(s *Scoring) (outside int, err error) {
	if in.Critical == nil {
		return 0, nil
	}
	for i, a := range in.Results {
		for _, b := range in.Results[i+1:] {
			critical, err := CriticalDifference(in.Critical.Reproducibility.Float(), in.Critical.Repeatability.Float(), a.Repeats, b.Repeats)
			if err != nil {
				return 0, err
			}
			p := Pair{First: a.Laboratory, Second: b.Laboratory, Difference: a.Value.Sub(b.Value), Critical: critical}
			// Exact where it matters: 0.50 against √0.25 must not fail for the last bit of a root.
			square := new(big.Rat).Mul(p.Difference.Rat(), p.Difference.Rat())
			p.Within = square.Cmp(in.criticalSquare(a.Repeats, b.Repeats)) <= 0
			if !p.Within {
				outside++
			}
			s.Pairs = append(s.Pairs, p)
		}
	}
	return outside, nil
}

// criticalSquare is the square of the critical difference, exactly: R² - r²(1 - 1/(2 n1) - 1/(2 n2)).
func (in RoundRobin) criticalSquare(n1, n2 int) *big.Rat {
	large, small := in.Critical.Reproducibility.Rat(), in.Critical.Repeatability.Rat()
	share := new(big.Rat).Sub(big.NewRat(1, 1), big.NewRat(1, 2*int64(n1)))
	share.Sub(share, big.NewRat(1, 2*int64(n2)))
	share.Mul(share, new(big.Rat).Mul(small, small))
	return share.Sub(new(big.Rat).Mul(large, large), share)
}
