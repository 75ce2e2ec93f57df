package main

import "io"

// formula is what the help of a computation states beside its flags.
type formula struct{ formula, units, source, valid string }

// formulas are the computations' statements by name: that of a command's tag `offline`, or `computes` where it works on
// the record.
var formulas = map[string]formula{
	"weighing": {
		"weight = mean of the readings at the readability, a half to the even division; accepted when largest − smallest ≤ repeatability. U = 2 √(d²/12 + (r/2.8)²/n + mpe²/3)",
		"masses with their unit (g, kg, mg, oz of 31.1034768 g); differences and U in g",
		"OIML R 76-1 (permitted errors, smallest load); ISO 5725-6 (r = 2.8 s); JCGM 100:2008 (GUM) 4.3.7 and 5.1",
		"2 to 50 readings, each positive, within the capacity and no finer than the readability; a load below the smallest of the class is warned of",
	},
	"balance_check": {
		"|observed − nominal| ≤ mpe in service, twice that of verification: ±0.5 e, 1 e or 1.5 e by the load in intervals e. Good for the days registered, the last instant included",
		"masses with their unit; errors in g",
		"OIML R 76-1 tables 3 and 6, clause 3.5.2; OIML R 111-1:2004 table 1 for the weights",
		"class I to IIII with an interval and a number of intervals that R 76 allows; weights E2 to M2 of 1 g to 50 kg, 1 to 50 loads",
	},
	"balance_status": {
		"in date from a passing check for the days registered, the last instant included; failed after a failing one, which puts in doubt what was weighed since the last passing one. Gravity: load × 0.00003 for each 100 m between adjustment and use",
		"instants RFC 3339; grams",
		"OIML R 76-1 (checks); National Physical Laboratory, questions on mass (0.003 % for each 100 m)",
		"checks on record up to the instant asked for, the latest 100; gravity by elevation only, latitude (up to 0.5 %) is not in it",
	},
	"weighings": {
		"expected difference by air buoyancy = m (ρ1 − ρ2)(1/ρbar − 1/8000); limit = max (or min) of absolute and relative × m / 1000, equal is within; U = 2 √(u1² + u2²)",
		"masses with their unit; densities in kg/m³; pressure in Pa, temperature in °C, humidity in %, elevation in m; differences in g",
		"OIML D 28 (conventional weights of 8000 kg/m³); CIPM-2007, Metrologia 45 (2008) 149; ISO 2533 standard atmosphere; JCGM 100:2008 (GUM)",
		"air of 0.3 to 1.6 kg/m³, −1000 to 9000 m, CIPM-2007 best at 600 to 1100 hPa and 15 to 27 °C; balances adjusted where they stand; the bar's density by ideal mixing, without cavities",
	},
	"fine_mass": {
		"F = m w; (u(F)/F)² = (u(m)/m)² + (u(w)/w)² + (u(sampling)/w)²; U = k u; each share is of the variance",
		"mass with its unit; fineness and its uncertainties in ppt; F and U in g",
		"JCGM 100:2008 (GUM) 5.1.6 and 6; weighing by OIML R 76-1",
		"independent inputs, k from 1 to 4; standard uncertainties small against their values",
	},
	"worksheet": {
		"gold = 1000 (cornet + δ) / portion, δ = mean over the proofs of (gold weighed in − gold found); silver by titration, chloride, bead or difference; sum against 1000. Rounded once, at the end",
		"masses with their unit; volumes in mL; finenesses and limits in ppt; δ in mg",
		"ISO 11426 clause 8 (form from memory); Beringer, A Text-Book of Assaying, 1904, p. 154; ISO 5725-6:1994 for replicates",
		"100 to 999.5 ppt of gold by the standard (outside it is computed and said); 2 to 24 proofs, 1 to 24 portions; proofs that disagree block the whole run",
	},
	"recompute": {
		"the worksheet as signed is computed again, exactly, and each result compared with what was reported",
		"ppt, as reported",
		"the worksheet's own: ISO 11426, ISO 5725-6:1994; the entry's signature and its place in the log are checked first",
		"reports that kept their worksheet",
	},
	"replicates": {
		"range of n ≤ CR(n) = f(n) σr, f = 2.8, 3.3, 3.6 for 2, 3, 4; two more: mean of four, else median of four; one more: mean of three, else median or a fourth",
		"finenesses in ppt, % or g/t; σr in ppt",
		"ISO 5725-6:1994 clause 5.2.2 and table 1",
		"1 to 4 results of one laboratory in the order in which they were obtained; equal is within",
	},
	"parting": {
		"silver = portion (ratio × gold − silver); portion = fine gold / gold",
		"masses with their unit, answers in g; finenesses in ppt, % or g/t; the ratio by mass",
		"ISO 11426:2014, 7.2.1 (ratio 2.3 to 3, lead by the portion); Beringer 1904, p. 146 (2½)",
		"expected finenesses above 0; a ratio above 0 and at most 10, warned of outside 2.3 to 3; lead up to 300 mg",
	},
	"homogeneity": {
		"largest position mean − smallest ≤ limit; the mean of the position means. A position is a place (top, bottom), a moment of the pour, or a kind of sample (drill, dip, pin)",
		"finenesses in ppt, % or g/t; limit in ppt",
		"Beringer 1904 (dips of a pour against sawn bars); the limit is the site's own",
		"2 to 24 positions of 1 to 24 results; it tells only of what was sampled",
	},
	"blend": {
		"fineness = Σ mass × fineness / Σ mass, rounded once",
		"masses with their unit; finenesses in ppt, % or g/t; fine metal in g",
		"Beringer 1904 (clean lead and dross)",
		"1 to 24 parts, weighed and assayed apart",
	},
	"scores": {
		"z = (x − X)/σ; z′ = (x − X)/√(σ² + uX²); zeta = (x − X)/√(ux² + uX²); En = (x − X)/√(Ux² + UX²); CD = √(R² − r²(1 − 1/2n1 − 1/2n2)); robust mean by Algorithm A",
		"any one unit for all figures, named in the file; scores have none",
		"ISO 13528:2005 (scores, annex C); ISO/IEC 17043 (En); ISO 5725-6:1994 clause 5.3",
		"1 to 200 laboratories, a robust mean from 3; |z| ≤ 2 satisfactory, above 3 action; |En| ≤ 1 satisfactory; r ≤ R",
	},
	"bias": {
		"d = first − second; t = d̄ √n / s with n − 1 degrees; individuals d̄ ± 3 MR/1.128; EWMA z = λ d + (1 − λ) z; CUSUM S = max(0, S ± d − k), k = shift/2, signal above h = decision × σ; cost = Σ borne × mass × d × price",
		"d, σ and shift in ppt (assays), g (weights) or oz (returns); cost in fine oz and money",
		"NIST/SEMATECH e-Handbook 7.3.1.1, 6.3.2.2 to 6.3.2.4; false alarms by the Markov chain of Brook and Evans, 1972",
		"2 to 10 000 differences in order of time, independent and about normal with the σ stated; the false alarm that it states grows with their number",
	},
	"exchange": {
		"|seller − refiner| ≤ splitting limit settles the mean, else a re-assay or the umpire by the rule of the terms",
		"finenesses in ppt, % or g/t; limits in ppt or relative to the mean, by the terms",
		"the agreement's own terms; common practice of the trade, no standard",
		"1 to 5 rounds; equal to the limit is within it",
	},
	"umpire": {
		"expected settlement by each umpire rule over the umpire's normal distribution about the likely truth, less that of the mean and the fee at risk",
		"finenesses, precisions and biases in ppt; money per oz",
		"probability of normal errors; ISO 5725 (standard deviations of laboratories)",
		"laboratories with stated precision and bias, independent and normal; a forecast that settles nothing",
	},
	"statement": {
		"fine = gross × settled fineness; payable by the terms; value = payable × price, less charges and penalties, advance and interest; each rounding is a named step",
		"masses, finenesses and money with their units; ounces of 31.1034768 g exactly",
		"the agreement's own terms; day counts ISO 20022 and ISDA; Weights and Measures Act 1985 for the ounce",
		"terms that leave nothing out; prices and holidays on record or in the file",
	},
	"return": {
		"theirs − ours, split in fixed order into weight, assay, payable terms, price, charges, missing lines and rounding; the parts add up exactly",
		"as the statement: ounces and money",
		"arithmetic, no standard",
		"a statement and a return in one currency",
	},
}

// tell prints what a computation states.
func (f formula) tell(out io.Writer) {
	say(out, "\nFormula:  %s\nUnits:    %s\nSource:   %s\nRange:    %s\n", f.formula, f.units, f.source, f.valid)
}
