// Package assay turns what laboratories weigh and report into the fineness that two parties settle on.
//
// It holds the fire assay worksheet (raw masses in, fineness out), the acceptance of replicates, the blind exchange of
// results between seller and refiner with its commitments, the splitting limit, the umpire, the advice whether an umpire
// is worth it, and the statistics of two laboratories over time.
//
// Units: finenesses and limits are in parts per thousand unless they name another unit; masses carry their own.
//
// Invariants:
//  1. No assay, limit or settled fineness passes through binary floating point. Statistics and advice do, and nothing
//     that comes back from them settles anything.
//  2. A figure is rounded once, at the step that the terms name; comparisons are made before rounding.
//  3. A difference equal to a limit is within it.
//  4. Exchanging the names of the parties leaves every settled fineness as it was and exchanges their costs.
//  5. Equal arguments give equal results: no clock, no chance and no store is read here.
//
// Sources: ISO 5725-6:1994 for replicates and critical differences; ISO 11426 for the form of the gold assay; Beringer,
// A Text-Book of Assaying, 9th ed. 1904; ISO 13528 for scores and the robust mean; the NIST/SEMATECH e-Handbook for
// control charts. The rules of exchange and umpire are common practice, and each is a choice that the agreement names.
//
// Left out: sampling error of the melt itself, which an exchange of assays cannot show; instrumental calibration.
package assay

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Element is the IUPAC symbol of a chemical element, such as Au or Ag.
type Element string

const (
	Gold   Element = "Au"
	Silver Element = "Ag"
)

// symbols are the elements that an assay may report: those with a stable or long-lived form, by IUPAC symbol.
const symbols = " H Li Be B C N O F Na Mg Al Si P S Cl K Ca Sc Ti V Cr Mn Fe Co Ni Cu Zn Ga Ge As Se Br Rb Sr Y Zr Nb Mo" +
	" Ru Rh Pd Ag Cd In Sn Sb Te I Cs Ba La Ce Pr Nd Sm Eu Gd Tb Dy Ho Er Tm Yb Lu Hf Ta W Re Os Ir Pt Au Hg Tl Pb Bi" +
	" Th U "

// Check refuses what is not the symbol of an element that an assay reports.
func (e Element) Check() error {
	if e == "" {
		return refusal.Invalidf("ELEMENT_MISSING", "element", "an element is missing; give its symbol, such as Au or Ag")
	}
	if strings.Contains(string(e), " ") || !strings.Contains(symbols, " "+string(e)+" ") {
		return refusal.Invalidf("ELEMENT_UNKNOWN", "element", "%q is not the symbol of an element that is assayed; use one such as Au, Ag or Cu, with a capital first", clip(string(e))).With("value", clip(string(e)))
	}
	return nil
}

// Side is a party to an exchange.
type Side string

const (
	Seller  Side = "seller"
	Refiner Side = "refiner"
)

// Other returns the opposite party.
func (s Side) Other() Side {
	if s == Seller {
		return Refiner
	}
	return Seller
}

// Check refuses what is neither seller nor refiner.
func (s Side) Check() error {
	if s != Seller && s != Refiner {
		return refusal.Invalidf("SIDE_UNKNOWN", "side", "%q is not a side of an exchange; use seller or refiner", clip(string(s))).With("value", clip(string(s)))
	}
	return nil
}

// Result is what one laboratory reports of one element.
type Result struct {
	Element  Element           `json:"element"`
	Fineness quantity.Fineness `json:"fineness"`
}

// CheckResults refuses an empty or overlong report, an unknown or repeated element, and a missing fineness.
func CheckResults(results []Result) error { return refusal.In(checkResults(results), "results") }

// checkResults names no field for the list itself, so that a caller can put its own name before it.
func checkResults(results []Result) error {
	if len(results) == 0 {
		return refusal.Invalidf("RESULTS_MISSING", "", "a report without results says nothing; give at least one element with its fineness")
	}
	if len(results) > maxResults {
		return refusal.Invalidf("RESULTS_TOO_MANY", "", "a report of %d results is longer than the %d allowed", len(results), maxResults)
	}
	seen := map[Element]bool{}
	for i, r := range results {
		at := fmt.Sprintf("[%d]", i)
		if err := r.Element.Check(); err != nil {
			return refusal.In(err, at)
		}
		if r.Fineness.IsZero() {
			return refusal.Invalidf("FINENESS_MISSING", at+".fineness", "%s has no fineness; give a number and a unit, such as 812.44 ppt", r.Element)
		}
		if seen[r.Element] {
			return refusal.Invalidf("ELEMENT_REPEATED", at+".element", "%s is reported twice; give each element once", r.Element).With("value", string(r.Element))
		}
		seen[r.Element] = true
	}
	return nil
}

// Find returns the fineness of one element in a report.
func Find(results []Result, e Element) (quantity.Fineness, bool) {
	for _, r := range results {
		if r.Element == e {
			return r.Fineness, true
		}
	}
	return quantity.Fineness{}, false
}

// SumVerdict says whether the reported elements add up to a whole.
type SumVerdict struct {
	Sum        quantity.Decimal `json:"sum"`         // parts per thousand
	Difference quantity.Decimal `json:"difference"`  // sum less 1000
	Tolerance  quantity.Decimal `json:"tolerance"`   // as given
	Within     bool             `json:"within"`      // |difference| <= tolerance
	PreciousOK bool             `json:"precious_ok"` // gold and silver together are not above 1000
	Words      string           `json:"words"`
}

// SumCheck compares the sum of all reported elements with 1000 parts per thousand. A difference equal to the tolerance
// is within it. Gold and silver together above 1000 are flagged whatever the tolerance. It is exact.
func SumCheck(results []Result, tolerance quantity.Decimal) SumVerdict {
	v := SumVerdict{Tolerance: tolerance}
	var precious quantity.Decimal
	for _, r := range results {
		v.Sum = v.Sum.Add(r.Fineness.PerMille())
		if r.Element == Gold || r.Element == Silver {
			precious = precious.Add(r.Fineness.PerMille())
		}
	}
	v.Difference = v.Sum.Sub(thousand)
	v.Within = v.Difference.Abs().Cmp(tolerance) <= 0
	v.PreciousOK = precious.Cmp(thousand) <= 0
	switch {
	case !v.PreciousOK:
		v.Words = fmt.Sprintf("gold and silver add to %s ppt, which is more than the whole; one of them is too high", precious)
	case v.Within:
		v.Words = fmt.Sprintf("the elements add to %s ppt, within %s ppt of 1000", v.Sum, tolerance)
	case v.Difference.Sign() > 0:
		v.Words = fmt.Sprintf("the elements add to %s ppt, %s ppt above 1000 and more than the tolerance of %s ppt", v.Sum, v.Difference, tolerance)
	default:
		v.Words = fmt.Sprintf("the elements add to %s ppt, %s ppt below 1000 and more than the tolerance of %s ppt; an element may be missing", v.Sum, v.Difference.Abs(), tolerance)
	}
	return v
}

var (
	one      = quantity.NewDecimal(1)
	two      = quantity.NewDecimal(2)
	half     = quantity.MustDecimal("0.5")
	thousand = quantity.NewDecimal(1000)
)

// clip shortens what a stranger wrote before it is quoted back.
func clip(s string) string {
	if len(s) <= maxName {
		return s
	}
	return strings.ToValidUTF8(s[:maxName], "") + "…"
}

// read decodes one JSON value strictly: no field that we do not know, nothing after the value, within maxJSON.
func read(b []byte, into any, what string) error {
	if len(b) > maxJSON {
		return refusal.Invalidf("JSON_TOO_LONG", "", "%s of %d bytes is longer than the %d allowed", what, len(b), maxJSON)
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		if refused := refusal.As(err); refused != nil {
			return refused
		}
		return refusal.Invalidf("JSON_MALFORMED", "", "%s cannot be read as JSON: %s; mend the file and send it again", what, clip(err.Error())).Because(err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return refusal.Invalidf("JSON_MALFORMED", "", "%s has more text after its end; give one JSON value only", what)
	}
	return nil
}
