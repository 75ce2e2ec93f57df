package assay

import (
	"fmt"
	"math/big"
	"strings"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Worksheet is one run of a gold assay by cupellation as the laboratory weighed it: raw masses and settings, so that
// anyone can compute the fineness again years later.
//
// Gold, for each portion: fineness = 1000 × (cornet + δ) / portion, in parts per thousand, where δ is the mean over the
// proof assays of (proof gold × its fineness / 1000 - proof cornet). A proof that gains mass makes δ negative. (Form of
// ISO 11426, clause 8, from memory; Beringer 1904, p. 154.) Its range by that standard is 100 to 999.5 ppt; the
// worksheet computes outside it and says so.
type Worksheet struct {
	Run        string          `json:"run"`    // the laboratory's own name of the run
	Method     string          `json:"method"` // in words, such as fire assay by cupellation
	Proofs     []Proof         `json:"proofs"`
	Portions   []Portion       `json:"portions"`
	Silver     *SilverSheet    `json:"silver,omitempty"`
	BaseMetals []Result        `json:"base_metals,omitempty"` // by instrument
	Limits     WorksheetLimits `json:"limits"`
	// GoldRounding is of the reported gold, once, at the end. Each of the other roundings has its own place.
	GoldRounding quantity.Rounding `json:"gold_rounding"`
}

// Proof is an assay of known gold beside the portions.
type Proof struct {
	Gold     quantity.Mass     `json:"gold"`            // proof gold weighed in
	Fineness quantity.Fineness `json:"fineness"`        // of the proof gold
	Cornet   quantity.Mass     `json:"cornet"`          // gold found
	Silver   quantity.Mass     `json:"silver,omitzero"` // silver weighed in; needed for silver by bead
	Bead     quantity.Mass     `json:"bead,omitzero"`   // before parting; needed for silver by bead
}

// Portion is one weighed part of the sample.
type Portion struct {
	Position string        `json:"position,omitempty"` // where in the bar or melt it was taken
	Sample   quantity.Mass `json:"sample"`
	Cornet   quantity.Mass `json:"cornet"`
	Added    quantity.Mass `json:"added,omitzero"` // silver added for parting; may be left out for none
	Bead     quantity.Mass `json:"bead,omitzero"`  // before parting; needed for silver by bead
}

// WorksheetLimits are the settings that decide whether the run may be reported. Parts per thousand; equal is within.
type WorksheetLimits struct {
	// Proof is the largest difference between the corrections of the proofs, each as parts per thousand of its gold. Beyond
	// it no result of the run may be used.
	Proof quantity.Decimal `json:"proof"`
	// Duplicate is the largest range of the portions. Give either it or Replicates.
	Duplicate quantity.Decimal `json:"duplicate,omitzero"`
	// Replicates has the portions accepted by ISO 5725-6 instead, in the order in which they stand; its rounding is not
	// used, GoldRounding is.
	Replicates *WorksheetReplicates `json:"replicates,omitempty"`
	// Sum is the tolerance of the sum of all elements against 1000.
	Sum quantity.Decimal `json:"sum"`
}

// WorksheetReplicates is ReplicateTerms without the rounding, which the worksheet names.
type WorksheetReplicates struct {
	Repeatability quantity.Decimal `json:"repeatability"`
	Procedure     Procedure        `json:"procedure"`
}

// SilverMethod is how silver was determined.
type SilverMethod string

const (
	// SilverTitration is volume × titre, the titre from standards of known silver.
	SilverTitration SilverMethod = "titration"
	// SilverChloride is weighed silver chloride × a factor.
	SilverChloride SilverMethod = "chloride"
	// SilverBead is bead less added silver less cornet, corrected by the silver that the proofs lost.
	SilverBead SilverMethod = "bead"
	// SilverDifference is 1000 less gold less base metals; the sum check then proves nothing.
	SilverDifference SilverMethod = "difference"
)

// SilverSheet is the silver part of a worksheet.
type SilverSheet struct {
	Method    SilverMethod      `json:"method"`
	Standards []Titration       `json:"standards,omitempty"` // titration: known silver and the volume that it took
	Portions  []Titration       `json:"portions,omitempty"`  // titration and chloride
	Factor    quantity.Decimal  `json:"factor,omitzero"`     // chloride: silver in silver chloride, such as 0.7526
	Limit     quantity.Decimal  `json:"limit,omitzero"`      // largest range of the portions, ppt; not for difference
	Rounding  quantity.Rounding `json:"rounding"`            // of the reported silver, once
}

// Titration is one portion or standard and what was read for it.
type Titration struct {
	Mass     quantity.Mass    `json:"mass"`              // of the portion, or of the silver in a standard
	Volume   quantity.Decimal `json:"volume,omitzero"`   // mL, titration
	Chloride quantity.Mass    `json:"chloride,omitzero"` // silver chloride, chloride
}

// WorksheetResult is what a worksheet comes to. Figures named shown are rounded to 6 places for the reader only.
type WorksheetResult struct {
	Run           string             `json:"run"`
	Correction    quantity.Decimal   `json:"correction"`    // δ, mg, shown; positive is added on
	ProofSpread   quantity.Decimal   `json:"proof_spread"`  // ppt, shown
	ProofsAgree   bool               `json:"proofs_agree"`  // spread <= limit
	Blocked       bool               `json:"blocked"`       // the proofs do not agree: nothing of this run may be used
	GoldPortions  []quantity.Decimal `json:"gold_portions"` // ppt, shown, in the order of the sheet
	GoldAccepted  Replicates         `json:"gold_accepted"`
	SilverPortion []quantity.Decimal `json:"silver_portions,omitempty"` // ppt, shown
	SilverAgrees  bool               `json:"silver_agrees"`             // portions within the limit, or nothing to compare
	Homogeneity   *Homogeneity       `json:"homogeneity,omitempty"`     // when two positions or more are named
	Results       []Result           `json:"results,omitempty"`         // what may be reported; empty when blocked or undecided
	Sum           *SumVerdict        `json:"sum,omitempty"`             // when gold and silver are both reported
	Findings      []string           `json:"findings,omitempty"`        // what somebody must answer
	Words         string             `json:"words"`
}

// ReadWorksheet reads a worksheet in JSON and checks it.
func ReadWorksheet(b []byte) (Worksheet, error) {
	var w Worksheet
	if err := read(b, &w, "the worksheet"); err != nil {
		return Worksheet{}, err
	}
	return w, w.Check()
}

// Check refuses a worksheet that leaves out a mass or setting, or that no laboratory can have weighed.
func (w Worksheet) Check() error {
	for _, n := range []struct{ field, value string }{{"run", w.Run}, {"method", w.Method}} {
		if err := name(n.value, n.field); err != nil {
			return err
		}
	}
	if len(w.Proofs) < 2 || len(w.Proofs) > maxPortions {
		return refusal.Invalidf("PROOFS_COUNT", "proofs", "%d proofs were given; a run needs 2 to %d, because one proof cannot be checked against another", len(w.Proofs), maxPortions)
	}
	if len(w.Portions) < 1 || len(w.Portions) > maxPortions {
		return refusal.Invalidf("PORTIONS_COUNT", "portions", "%d portions were given; a run has 1 to %d", len(w.Portions), maxPortions)
	}
	for i, p := range w.Proofs {
		if err := p.check(); err != nil {
			return refusal.In(err, fmt.Sprintf("proofs[%d]", i))
		}
	}
	for i, p := range w.Portions {
		if err := p.check(); err != nil {
			return refusal.In(err, fmt.Sprintf("portions[%d]", i))
		}
	}
	if err := w.checkLimits(); err != nil {
		return refusal.In(err, "limits")
	}
	if err := w.GoldRounding.Check(); err != nil {
		return refusal.In(err, "gold_rounding")
	}
	if len(w.BaseMetals) > 0 {
		if err := checkResults(w.BaseMetals); err != nil {
			return refusal.In(err, "base_metals")
		}
		for i, r := range w.BaseMetals {
			if r.Element == Gold || r.Element == Silver {
				return refusal.Invalidf("ELEMENT_REPEATED", fmt.Sprintf("base_metals[%d].element", i), "%s is no base metal; it comes from the masses of this sheet", r.Element).With("value", string(r.Element))
			}
		}
	}
	if w.Silver != nil {
		return refusal.In(w.checkSilver(), "silver")
	}
	return nil
}

func positive(m quantity.Mass, field string) error { return refusal.In(m.Positive(), field) }

func (p Proof) check() error {
	if err := positive(p.Gold, "gold"); err != nil {
		return err
	}
	if err := positive(p.Cornet, "cornet"); err != nil {
		return err
	}
	if p.Fineness.IsZero() || p.Fineness.PerMille().Sign() == 0 {
		return refusal.Invalidf("FINENESS_MISSING", "fineness", "the fineness of the proof gold is missing; give it, such as 999.9 ppt")
	}
	for _, m := range []struct {
		field string
		mass  quantity.Mass
	}{{"silver", p.Silver}, {"bead", p.Bead}} {
		if m.mass.Sign() < 0 {
			return positive(m.mass, m.field)
		}
	}
	return nil
}

func (p Portion) check() error {
	if err := positive(p.Sample, "sample"); err != nil {
		return err
	}
	if err := positive(p.Cornet, "cornet"); err != nil {
		return err
	}
	if len(p.Position) > maxName {
		return name(p.Position, "position")
	}
	for _, m := range []struct {
		field string
		mass  quantity.Mass
	}{{"added", p.Added}, {"bead", p.Bead}} {
		if m.mass.Sign() < 0 {
			return positive(m.mass, m.field)
		}
	}
	return nil
}

func (w Worksheet) checkLimits() error {
	l := w.Limits
	for _, limit := range []struct {
		field string
		value quantity.Decimal
	}{{"proof", l.Proof}, {"sum", l.Sum}} {
		if limit.value.Sign() <= 0 {
			return refusal.Invalidf("LIMIT_NOT_POSITIVE", limit.field, "a limit of %s ppt is missing or not possible; it must be more than zero", limit.value).With("value", limit.value.String())
		}
	}
	if l.Replicates == nil {
		if l.Duplicate.Sign() <= 0 {
			return refusal.Invalidf("LIMIT_NOT_POSITIVE", "duplicate", "a limit of %s ppt for the portions is missing or not possible; give it, or the terms of replicates", l.Duplicate).With("value", l.Duplicate.String())
		}
		return nil
	}
	if !l.Duplicate.IsZero() {
		return refusal.Invalidf("TERM_OUT_OF_PLACE", "duplicate", "both a duplicate limit and the terms of replicates are given; choose one of them")
	}
	if len(w.Portions) > maxReplicates {
		return refusal.Invalidf("REPLICATES_COUNT", "replicates", "%d portions were given; the procedure takes 1 to %d", len(w.Portions), maxReplicates)
	}
	return refusal.In(w.replicates().Check(), "replicates")
}

// replicates joins the procedure and the rounding of the sheet.
func (w Worksheet) replicates() ReplicateTerms {
	r := w.Limits.Replicates
	return ReplicateTerms{Repeatability: r.Repeatability, Procedure: r.Procedure, Rounding: w.GoldRounding}
}

func (w Worksheet) checkSilver() error {
	s := w.Silver
	if err := choice("method", string(s.Method), []string{string(SilverTitration), string(SilverChloride), string(SilverBead), string(SilverDifference)}); err != nil {
		return err
	}
	if err := s.Rounding.Check(); err != nil {
		return refusal.In(err, "rounding")
	}
	if s.Method == SilverDifference {
		if len(w.BaseMetals) == 0 {
			return refusal.Invalidf("BASE_METALS_MISSING", "method", "silver by difference needs the base metals; report them, or determine silver in another way")
		}
		return nil
	}
	if s.Limit.Sign() <= 0 {
		return refusal.Invalidf("LIMIT_NOT_POSITIVE", "limit", "a limit of %s ppt for the silver portions is missing or not possible; it must be more than zero", s.Limit).With("value", s.Limit.String())
	}
	if s.Method == SilverBead {
		return w.checkBeads()
	}
	if len(s.Portions) < 1 || len(s.Portions) > maxPortions {
		return refusal.Invalidf("PORTIONS_COUNT", "portions", "%d silver portions were given; a run has 1 to %d", len(s.Portions), maxPortions)
	}
	for i, p := range s.Portions {
		if err := p.check(s.Method); err != nil {
			return refusal.In(err, fmt.Sprintf("portions[%d]", i))
		}
	}
	if s.Method == SilverChloride {
		if s.Factor.Sign() <= 0 || s.Factor.Cmp(one) >= 0 {
			return refusal.Invalidf("FACTOR_OUT_OF_RANGE", "factor", "a factor of %s for silver in silver chloride is missing or not possible; give one between 0 and 1", s.Factor).With("value", s.Factor.String())
		}
		return nil
	}
	if len(s.Standards) < 1 || len(s.Standards) > maxPortions {
		return refusal.Invalidf("STANDARDS_COUNT", "standards", "%d standards were given; a titration needs 1 to %d", len(s.Standards), maxPortions)
	}
	for i, p := range s.Standards {
		if err := p.check(SilverTitration); err != nil {
			return refusal.In(err, fmt.Sprintf("standards[%d]", i))
		}
	}
	return nil
}

func (t Titration) check(m SilverMethod) error {
	if err := positive(t.Mass, "mass"); err != nil {
		return err
	}
	if m == SilverChloride {
		return positive(t.Chloride, "chloride")
	}
	if t.Volume.Sign() <= 0 {
		return refusal.Invalidf("VOLUME_NOT_POSITIVE", "volume", "a volume of %s mL is missing or not possible; it must be more than zero", t.Volume).With("value", t.Volume.String())
	}
	return nil
}

// checkBeads refuses silver by bead where a bead, or the silver of a proof, was not weighed. The field is inside silver.
func (w Worksheet) checkBeads() error {
	for i, p := range w.Portions {
		if p.Bead.IsZero() {
			return refusal.Invalidf("MASS_MISSING", "method", "silver by bead needs the bead of every portion; portion %d has none", i+1)
		}
	}
	for i, p := range w.Proofs {
		if p.Bead.IsZero() || p.Silver.IsZero() {
			return refusal.Invalidf("MASS_MISSING", "method", "silver by bead needs the silver and the bead of every proof; proof %d lacks one", i+1)
		}
	}
	return nil
}

// Compute returns what the worksheet comes to. It is exact up to the one rounding of each reported element. Proofs that
// disagree block the run, portions that disagree are not reported; both are findings, not errors. It refuses a sheet
// that does not Check and one whose figures give a fineness below 0 or above 1000.
func (w Worksheet) Compute() (WorksheetResult, error) {
	if err := w.Check(); err != nil {
		return WorksheetResult{}, err
	}
	r := WorksheetResult{Run: w.Run, SilverAgrees: true}
	delta := w.proofs(&r)
	if r.Blocked {
		r.Words = fmt.Sprintf("run %s is blocked: the proofs differ by %s ppt, more than the limit of %s ppt; no result of it may be used, so repeat the run", w.Run, r.ProofSpread, w.Limits.Proof)
		r.Findings = []string{r.Words}
		return r, nil
	}
	gold, err := w.gold(&r, delta)
	if err != nil {
		return WorksheetResult{}, err
	}
	if err := w.silver(&r, gold); err != nil {
		return WorksheetResult{}, refusal.In(err, "silver")
	}
	if len(r.Results) > 0 {
		r.Results = append(r.Results, w.BaseMetals...)
	}
	if _, found := Find(r.Results, Silver); found {
		v := SumCheck(r.Results, w.Limits.Sum)
		r.Sum = &v
		if !v.Within || !v.PreciousOK {
			r.Findings = append(r.Findings, v.Words)
		}
	}
	r.Words = w.words(r)
	return r, nil
}

// proofs returns δ in milligrams and blocks the run when the proofs do not agree.
func (w Worksheet) proofs(r *WorksheetResult) *big.Rat {
	var deltas, shares []*big.Rat
	for _, p := range w.Proofs {
		in := p.Gold.Fine(p.Fineness).Shift(3)
		delta := in.Sub(milligrams(p.Cornet)).Rat()
		deltas = append(deltas, delta)
		shares = append(shares, ratio(delta, in.Rat()))
	}
	delta := mean(deltas)
	r.Correction, r.ProofSpread = shown(delta), shown(spread(shares))
	r.ProofsAgree = spread(shares).Cmp(w.Limits.Proof.Rat()) <= 0
	r.Blocked = !r.ProofsAgree
	return delta
}

// milligrams returns a mass in milligrams, exactly.
func milligrams(m quantity.Mass) quantity.Decimal { return m.Grams().Shift(3) }

// ratio returns 1000 × part / whole.
func ratio(part, whole *big.Rat) *big.Rat {
	q := new(big.Rat).Quo(part, whole)
	return q.Mul(q, big.NewRat(1000, 1))
}

// gold fills in the gold of the sheet; it returns the unrounded figure, nil when none may be reported.
func (w Worksheet) gold(r *WorksheetResult, delta *big.Rat) (*big.Rat, error) {
	var values []*big.Rat
	for i, p := range w.Portions {
		value := ratio(new(big.Rat).Add(milligrams(p.Cornet).Rat(), delta), milligrams(p.Sample).Rat())
		if err := inRange(value); err != nil {
			return nil, refusal.In(err, fmt.Sprintf("portions[%d]", i))
		}
		values = append(values, value)
		r.GoldPortions = append(r.GoldPortions, shown(value))
	}
	var err error
	if w.Limits.Replicates != nil {
		r.GoldAccepted, err = accept(values, w.replicates())
	} else {
		r.GoldAccepted, err = plain(values, w.Limits.Duplicate, w.GoldRounding)
	}
	if err != nil {
		return nil, err
	}
	r.Homogeneity = w.positions(values)
	if r.GoldAccepted.Quote == QuoteNone {
		r.Findings = append(r.Findings, "gold: "+r.GoldAccepted.Words)
		return nil, nil
	}
	r.Results = []Result{{Gold, r.GoldAccepted.Value}}
	if r.GoldAccepted.Quote != QuoteMean {
		r.Findings = append(r.Findings, "gold: "+r.GoldAccepted.Words)
		return median(values), nil
	}
	return mean(values), nil
}

// inRange refuses a computed fineness that no alloy has.
func inRange(value *big.Rat) error {
	if value.Sign() < 0 || value.Cmp(big.NewRat(1000, 1)) > 0 {
		return refusal.Invalidf("FINENESS_OUT_OF_RANGE", "", "these masses give %s ppt, which is not possible; it lies from 0 to 1000, so look for a mass or unit that was misread", shown(value)).With("value", shown(value).String())
	}
	return nil
}

// plain accepts portions by the range of all of them against one limit.
func plain(values []*big.Rat, limit quantity.Decimal, rounding quantity.Rounding) (Replicates, error) {
	r := Replicates{Count: len(values), Range: shown(spread(values)), Limit: limit}
	if len(values) == 1 {
		r.Needed, r.Words = 1, "one portion cannot be checked; take a second"
		return r, nil
	}
	r.Within = spread(values).Cmp(limit.Rat()) <= 0
	if !r.Within {
		r.Needed = 2
		r.Words = fmt.Sprintf("the portions range over %s ppt, more than the limit of %s ppt; repeat in duplicate", r.Range, limit)
		return r, nil
	}
	value, err := fineness(mean(values), rounding)
	r.Quote, r.Value = QuoteMean, value
	r.Words = fmt.Sprintf("%d portions agree within %s ppt; their mean of %s is quoted", r.Count, limit, value)
	return r, err
}

// silver fills in the silver of the sheet; gold is nil when it may not be reported.
func (w Worksheet) silver(r *WorksheetResult, gold *big.Rat) error {
	if w.Silver == nil {
		return nil
	}
	var values []*big.Rat
	switch w.Silver.Method {
	case SilverDifference:
		if gold == nil {
			r.Findings = append(r.Findings, "silver: by difference it needs a gold result, and there is none")
			return nil
		}
		rest := new(big.Rat).Sub(big.NewRat(1000, 1), gold)
		for _, b := range w.BaseMetals {
			rest.Sub(rest, b.Fineness.PerMille().Rat())
		}
		values = append(values, rest)
	case SilverBead:
		values = w.beads()
	case SilverTitration:
		var titres []*big.Rat // mg of silver per mL
		for _, s := range w.Silver.Standards {
			titres = append(titres, new(big.Rat).Quo(milligrams(s.Mass).Rat(), s.Volume.Rat()))
		}
		titre := mean(titres)
		for _, p := range w.Silver.Portions {
			values = append(values, ratio(new(big.Rat).Mul(p.Volume.Rat(), titre), milligrams(p.Mass).Rat()))
		}
	case SilverChloride:
		for _, p := range w.Silver.Portions {
			values = append(values, ratio(milligrams(p.Chloride).Mul(w.Silver.Factor).Rat(), milligrams(p.Mass).Rat()))
		}
	}
	for _, v := range values {
		if err := inRange(v); err != nil {
			return err
		}
		r.SilverPortion = append(r.SilverPortion, shown(v))
	}
	if w.Silver.Method != SilverDifference {
		r.SilverAgrees = spread(values).Cmp(w.Silver.Limit.Rat()) <= 0
	}
	if !r.SilverAgrees {
		r.Findings = append(r.Findings, fmt.Sprintf("silver: the portions range over %s ppt, more than the limit of %s ppt; repeat in duplicate", shown(spread(values)), w.Silver.Limit))
		return nil
	}
	value, err := fineness(mean(values), w.Silver.Rounding)
	if err != nil {
		return err
	}
	r.Results = append(r.Results, Result{Silver, value})
	return nil
}

// beads returns the silver of each portion by its bead: bead - added - cornet + the mean silver that the proofs lost.
func (w Worksheet) beads() (values []*big.Rat) {
	var losses []*big.Rat
	for _, p := range w.Proofs {
		found := milligrams(p.Bead).Sub(milligrams(p.Cornet))
		losses = append(losses, milligrams(p.Silver).Sub(found).Rat())
	}
	loss := mean(losses)
	for _, p := range w.Portions {
		found := milligrams(p.Bead).Sub(milligrams(p.Added)).Sub(milligrams(p.Cornet)).Rat()
		values = append(values, ratio(found.Add(found, loss), milligrams(p.Sample).Rat()))
	}
	return values
}

func (w Worksheet) words(r WorksheetResult) string {
	gold, found := Find(r.Results, Gold)
	if !found {
		return fmt.Sprintf("run %s has no gold result yet: %s", w.Run, r.GoldAccepted.Words)
	}
	text := fmt.Sprintf("run %s: gold %s", w.Run, gold)
	if silver, found := Find(r.Results, Silver); found {
		text += fmt.Sprintf(", silver %s", silver)
	}
	if p := gold.PerMille(); p.Less(quantity.NewDecimal(100)) || quantity.MustDecimal("999.5").Less(p) {
		text += "; gold is outside the 100 to 999.5 ppt for which cupellation is standardised (ISO 11426:2021, scope)"
	}
	if r.Sum != nil && w.Silver.Method == SilverDifference {
		text += "; silver is the difference, so the sum proves nothing"
	}
	return text
}

// SameResults compares what was reported with what a worksheet computes to, element by element and exactly. Elements that
// only the report has came from elsewhere, and are named; an element that only the sheet has means that they disagree.
func SameResults(reported, computed []Result) (same bool, words string) {
	same = true
	var elsewhere, differ []string
	for _, c := range computed {
		r, found := Find(reported, c.Element)
		switch {
		case !found:
			differ = append(differ, fmt.Sprintf("%s computes to %s and was not reported", c.Element, c.Fineness))
		case r.Cmp(c.Fineness) != 0:
			differ = append(differ, fmt.Sprintf("%s was reported as %s and computes to %s", c.Element, r, c.Fineness))
		}
	}
	for _, r := range reported {
		if _, found := Find(computed, r.Element); !found {
			elsewhere = append(elsewhere, string(r.Element))
		}
	}
	switch {
	case len(computed) == 0:
		same, words = false, "the worksheet gives no result that may be reported"
	case len(differ) > 0:
		same, words = false, strings.Join(differ, "; ")
	default:
		words = "the worksheet still gives exactly what was reported"
	}
	if len(elsewhere) > 0 {
		words += "; not from the worksheet: " + strings.Join(elsewhere, ", ")
	}
	return same, words
}
