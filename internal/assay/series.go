package assay

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// BiasSettings say what a bias report looks for. Everything is required; nothing is settled by any of it.
type BiasSettings struct {
	// Sigma is the standard deviation of one difference between honest laboratories (or balances), in the unit of the
	// series. Two laboratories of reproducibility σR each give √2 σR.
	Sigma      quantity.Decimal `json:"sigma"`
	Confidence quantity.Decimal `json:"confidence"` // of the intervals, such as 0.95
	Shift      quantity.Decimal `json:"shift"`      // bias worth finding, in the unit of the series; the CUSUM allowance is half of it
	Decision   quantity.Decimal `json:"decision"`   // CUSUM decision interval, in sigma, such as 5; more for a long series
	Lambda     quantity.Decimal `json:"lambda"`     // weight of the newest value in the moving average, at most 1, such as 0.2
	Width      quantity.Decimal `json:"width"`      // of the moving average's limits, in sigma, such as 3
	// Borne is the share of a difference that one's own side bears: 0.5 where the mean is settled, 1 where the other's
	// result stands.
	Borne    quantity.Decimal  `json:"borne"`
	Rounding quantity.Rounding `json:"rounding"` // of the ounces and of the money that it has cost
}

// Check refuses settings that leave anything out or that no series has.
func (s BiasSettings) Check() error {
	for _, x := range []struct {
		field string
		value quantity.Decimal
		most  int64
	}{{"sigma", s.Sigma, 100_000}, {"shift", s.Shift, 100_000}, {"decision", s.Decision, 1000}, {"borne", s.Borne, 1},
		{"lambda", s.Lambda, 1}, {"width", s.Width, 100}} {
		if x.value.Sign() <= 0 || quantity.NewDecimal(x.most).Less(x.value) {
			return refusal.Invalidf("SETTING_OUT_OF_RANGE", x.field, "%s is missing or not possible; give a number above 0 and at most %d", x.value, x.most).With("value", x.value.String())
		}
	}
	if s.Confidence.Sign() <= 0 || s.Confidence.Cmp(one) >= 0 {
		return refusal.Invalidf("CONFIDENCE_OUT_OF_RANGE", "confidence", "a confidence of %s is missing or not possible; give one between 0 and 1, such as 0.95", s.Confidence).With("value", s.Confidence.String())
	}
	return refusal.In(s.Rounding.Check(), "rounding")
}

// ReadBiasSettings reads settings in JSON strictly and checks them.
func ReadBiasSettings(b []byte) (BiasSettings, error) {
	var s BiasSettings
	if err := read(b, &s, "the settings of the bias report"); err != nil {
		return BiasSettings{}, err
	}
	return s, s.Check()
}

// BiasLot is one lot of a bias report: two results of one thing.
type BiasLot struct {
	Lot   string            `json:"lot"`
	Own   quantity.Fineness `json:"own"`
	Other quantity.Fineness `json:"other"`
	Mass  quantity.Mass     `json:"mass"`           // settlement weight, gross
	Price quantity.Money    `json:"price"`          // per troy ounce, for what it has cost
	Limit quantity.Decimal  `json:"limit,omitzero"` // splitting limit, ppt; left out where there is none
}

// BiasInput is a series of lots in time order, with its settings beside.
type BiasInput struct {
	Element Element   `json:"element"`
	Lots    []BiasLot `json:"lots"`
	BiasSettings
}

// Paired is one difference of a series: first less second.
type Paired struct {
	Of         string           `json:"of"`                 // lot or bar
	Date       string           `json:"date,omitempty"`     // as given
	Difference quantity.Decimal `json:"difference"`         // in the unit of the series
	Limit      quantity.Decimal `json:"limit,omitzero"`     // agreed, in the unit of the series; 0 where there is none
	Moved      quantity.Decimal `json:"moved_g,omitzero"`   // fine metal that the difference stands for, g; 0 where not known
	Price      quantity.Money   `json:"price,omitzero"`     // per troy ounce of that metal; none where not known
	Explained  quantity.Decimal `json:"explained,omitzero"` // what was taken off Difference already, such as by air buoyancy
}

// Series is a series of paired differences of any kind, in time order.
type Series struct {
	What    string   `json:"what"`    // such as "Au" or "arrival weights"
	First   string   `json:"first"`   // such as "the seller's results"
	Second  string   `json:"second"`  // such as "the refiner's"
	Unit    string   `json:"unit"`    // of the differences, such as ppt or g
	Element Element  `json:"element"` // of the metal moved
	Points  []Paired `json:"points"`
	BiasSettings
}

// Span is a confidence interval.
type Span struct {
	Low  quantity.Decimal `json:"low"`
	High quantity.Decimal `json:"high"`
}

// BiasReport says whether two laboratories or balances differ in the same direction over time. Differences are first
// less second, in Unit; own less other where they came from BiasInput.
type BiasReport struct {
	Words string  `json:"words"`
	Unit  string  `json:"unit"`
	Count int     `json:"count"`
	Mean  float64 `json:"mean"`
	Test  *TTest  `json:"test,omitempty"` // left out where all differences are equal: then chance cannot be judged

	Above   int     `json:"above"`         // differences above 0
	Below   int     `json:"below"`         // and below
	Chance  float64 `json:"chance"`        // chance of a split as uneven as that by luck alone, both sides: the sign test
	Limited int     `json:"limited"`       // differences that have a limit
	Inside  int     `json:"inside_limits"` // of these, no larger than it

	Charted    Individuals `json:"charted"`
	Average    Weighted    `json:"average"`
	Cusum      Cumulative  `json:"cusum"`
	Allowance  float64     `json:"cusum_allowance"`      // k, half of the shift, in Unit
	Interval   float64     `json:"cusum_interval"`       // h, decision × sigma, in Unit
	Found      bool        `json:"found"`                // the CUSUM signalled
	SignalLot  string      `json:"signal_lot,omitempty"` // where
	SinceLot   string      `json:"since_lot,omitempty"`  // where the sum that signalled began to rise: about when the bias began
	FalseAlarm float64     `json:"false_alarm"`          // chance of such a signal in this many differences without any bias

	Ounces         quantity.Decimal `json:"ounces"`                    // fine ounces that the differences have moved, times Borne; exact, rounded once
	OuncesInterval *Span            `json:"ounces_interval,omitempty"` // of the total, by the spread of the single ones
	Cost           []quantity.Money `json:"cost,omitempty"`            // the same in money, one amount a currency; exact, rounded once
	CostInterval   *Span            `json:"cost_interval,omitempty"`   // of the total, where all are in one currency
	Priced         int              `json:"priced"`                    // differences that have a price
	Explained      quantity.Decimal `json:"explained_total,omitzero"`  // taken off the differences before, such as by air buoyancy
}

// ReadBias reads a BiasInput in JSON and answers it.
func ReadBias(b []byte) (BiasReport, error) {
	in, err := ReadBiasInput(b)
	if err != nil {
		return BiasReport{}, err
	}
	return Bias(in)
}

// ReadBiasInput reads a BiasInput in JSON.
func ReadBiasInput(b []byte) (in BiasInput, err error) {
	err = read(b, &in, "the bias input")
	return in, err
}

// Bias judges a series of paired results of lots: mean with confidence interval, chart of individuals, moving average and
// CUSUM about zero, and what the differences have moved so far in fine ounces and money (exact, rounded once each).
func Bias(in BiasInput) (BiasReport, error) {
	series, err := in.Series()
	if err != nil {
		return BiasReport{}, err
	}
	return BiasOf(series)
}

// Series returns the lots as a series of differences in parts per thousand.
func (in BiasInput) Series() (Series, error) {
	s := Series{What: string(in.Element), First: "our own results", Second: "the other's", Unit: "ppt", Element: in.Element, BiasSettings: in.BiasSettings}
	if err := in.Element.Check(); err != nil {
		return s, err
	}
	if len(in.Lots) < 2 || len(in.Lots) > maxLots {
		return s, refusal.Invalidf("COUNT_OUT_OF_RANGE", "lots", "%d lots were given; give 2 to %d", len(in.Lots), maxLots)
	}
	for i, l := range in.Lots {
		at := fmt.Sprintf("lots[%d]", i)
		if l.Own.IsZero() || l.Other.IsZero() {
			return s, refusal.Invalidf("FINENESS_MISSING", at, "a result is missing; give both, each with a number and a unit, such as 812.44 ppt")
		}
		if err := positive(l.Mass, at+".mass"); err != nil {
			return s, err
		}
		if l.Price.Amount().Sign() <= 0 {
			return s, refusal.Invalidf("PRICE_NOT_POSITIVE", at+".price", "the price per ounce is missing or not positive; give it, such as 2350.25 USD")
		}
		if l.Price.Currency() != in.Lots[0].Price.Currency() {
			return s, refusal.Invalidf("CURRENCY_MIXED", at+".price", "%s and %s cannot be added; give all prices in one currency", in.Lots[0].Price.Currency(), l.Price.Currency())
		}
		d := l.Own.PerMille().Sub(l.Other.PerMille())
		s.Points = append(s.Points, Paired{Of: l.Lot, Difference: d, Limit: l.Limit, Moved: l.Mass.Grams().Mul(d).Shift(-3), Price: l.Price})
	}
	return s, nil
}

// BiasOf judges a series of differences of any kind, in the order of time.
func BiasOf(s Series) (BiasReport, error) {
	if err := s.Check(); err != nil {
		return BiasReport{}, err
	}
	differences := make([]float64, len(s.Points))
	r := BiasReport{Unit: s.Unit, Count: len(s.Points)}
	for i, p := range s.Points {
		d := p.Difference.Float()
		differences[i] = d
		switch p.Difference.Sign() {
		case 1:
			r.Above++
		case -1:
			r.Below++
		}
		if p.Limit.Sign() > 0 {
			r.Limited++
			if p.Difference.Abs().Cmp(p.Limit) <= 0 {
				r.Inside++
			}
		}
		r.Explained = r.Explained.Add(p.Explained)
	}
	r.Mean, _ = meanAndSigma(differences)
	r.Chance = signTest(r.Above, r.Below)
	test, err := PairedT(differences, s.Confidence.Float())
	if err == nil {
		r.Test = &test
	} else if !refusal.Is(err, "SPREAD_NOT_POSITIVE") {
		return BiasReport{}, err
	}
	if r.Charted, err = Shewhart(differences); err != nil {
		return BiasReport{}, err
	}
	sigma := s.Sigma.Float()
	if r.Average, err = EWMA(differences, 0, sigma, s.Lambda.Float(), s.Width.Float()); err != nil {
		return BiasReport{}, err
	}
	r.Allowance, r.Interval = s.Shift.Float()/2, s.Decision.Float()*sigma
	if r.Cusum, err = CUSUM(differences, 0, r.Allowance, r.Interval); err != nil {
		return BiasReport{}, err
	}
	if r.FalseAlarm, err = CUSUMFalseAlarm(r.Allowance/sigma, s.Decision.Float(), len(s.Points)); err != nil {
		return BiasReport{}, err
	}
	if r.Found = r.Cusum.Signal >= 0; r.Found {
		r.SignalLot, r.SinceLot = s.Points[r.Cusum.Signal].Of, s.Points[r.Cusum.since()].Of
	}
	if err := s.cost(&r); err != nil {
		return BiasReport{}, err
	}
	r.Words = s.words(r)
	return r, nil
}

// Check refuses settings out of range and a series that is too short, too long or not exact enough to add up.
func (s Series) Check() error {
	if err := s.BiasSettings.Check(); err != nil {
		return err
	}
	if err := s.Element.Check(); err != nil {
		return err
	}
	if len(s.Points) < 2 || len(s.Points) > maxLots {
		return refusal.Invalidf("COUNT_OUT_OF_RANGE", "points", "%d differences were given; give 2 to %d", len(s.Points), maxLots)
	}
	return nil
}

// since returns the place at which the sum that signalled left 0 for the last time.
func (c Cumulative) since() int {
	sums := c.Low
	if c.Upward {
		sums = c.High
	}
	at := c.Signal
	for at > 0 && sums[at-1] > 0 {
		at--
	}
	return at
}

// signTest returns the chance that n = above + below fair tosses split at least as unevenly, either way.
func signTest(above, below int) float64 {
	n := above + below
	if n == 0 {
		return 1
	}
	tosses := distuv.Binomial{N: float64(n), P: 0.5}
	return math.Min(1, 2*tosses.CDF(float64(min(above, below))))
}

// cost adds up exactly what the differences have moved, and what the spread of the single ones leaves open.
func (s Series) cost(r *BiasReport) error {
	var grams quantity.Decimal
	values := map[quantity.Currency]quantity.Decimal{} // grams × price, to be divided by the grams of an ounce once
	var ounces, money []float64
	perOunce := quantity.GramsPerOunce.Float()
	for _, p := range s.Points {
		moved := p.Moved.Mul(s.Borne)
		grams = grams.Add(moved)
		ounces = append(ounces, moved.Float()/perOunce)
		if p.Price.IsZero() {
			continue
		}
		r.Priced++
		currency := p.Price.Currency()
		values[currency] = values[currency].Add(moved.Mul(p.Price.Amount()))
		money = append(money, moved.Float()/perOunce*p.Price.Amount().Float())
	}
	var err error
	if r.Ounces, err = grams.Quo(quantity.GramsPerOunce, s.Rounding); err != nil {
		return err
	}
	r.OuncesInterval = s.total(ounces)
	var currencies []string
	for c := range values {
		currencies = append(currencies, string(c))
	}
	slices.Sort(currencies)
	for _, c := range currencies {
		amount, err := values[quantity.Currency(c)].Quo(quantity.GramsPerOunce, s.Rounding)
		if err != nil {
			return err
		}
		cost, err := quantity.NewMoney(amount, quantity.Currency(c))
		if err != nil {
			return err
		}
		r.Cost = append(r.Cost, cost)
	}
	if len(r.Cost) == 1 {
		r.CostInterval = s.total(money)
	}
	return nil
}

// total is the confidence interval of the sum of values, nil where it cannot be judged.
func (s Series) total(values []float64) *Span {
	t, err := PairedT(values, s.Confidence.Float())
	if err != nil {
		return nil
	}
	n := float64(len(values))
	low, errLow := quantity.FromRat(new(big.Rat).SetFloat64(t.Low*n), s.Rounding)
	high, errHigh := quantity.FromRat(new(big.Rat).SetFloat64(t.High*n), s.Rounding)
	if errLow != nil || errHigh != nil {
		return nil
	}
	return &Span{low, high}
}

// words tells the report in sentences, what matters most first.
func (s Series) words(r BiasReport) string {
	side, share := "higher", r.Above
	if r.Below > r.Above {
		side, share = "lower", r.Below
	}
	var lines []string
	allOneSide := share == r.Count && r.Count >= 5
	allInside := r.Limited == r.Count && r.Inside == r.Count
	switch {
	case r.Found:
		found := "lower"
		if r.Cusum.Upward {
			found = "higher"
		}
		lines = append(lines, fmt.Sprintf("%s: %s are lastingly %s than %s: the cumulative sum signalled at %s and had been rising since %s.",
			s.What, s.First, found, s.Second, r.SignalLot, r.SinceLot))
	case r.Above+r.Below == 0:
		lines = append(lines, fmt.Sprintf("%s: no lasting bias is found, and no difference at all, in %d.", s.What, r.Count))
	default:
		lines = append(lines, fmt.Sprintf("%s: no lasting bias is found in %d differences.", s.What, r.Count))
	}
	switch {
	case allOneSide && allInside:
		lines = append(lines, fmt.Sprintf("Always inside the limit, always on one side: %s are %s in all %d, and no difference is beyond its limit (by luck alone a coin falls so with a chance of %s).",
			s.First, side, r.Count, chanceWords(r.Chance)))
	case allOneSide:
		lines = append(lines, fmt.Sprintf("Always on one side: %s are %s in all %d (by luck alone a coin falls so with a chance of %s).", s.First, side, r.Count, chanceWords(r.Chance)))
	case r.Above+r.Below > 0:
		lines = append(lines, fmt.Sprintf("%s are higher in %d and lower in %d of %d.", upper(s.First), r.Above, r.Below, r.Count))
	}
	if r.Limited > 0 && !(allOneSide && allInside) {
		lines = append(lines, fmt.Sprintf("%d of %d are inside their limit.", r.Inside, r.Limited))
	}
	lines = append(lines, s.costWords(r)...)
	if t := r.Test; t != nil {
		lines = append(lines, fmt.Sprintf("First less second is %+.4g %s on average, with %g %% confidence between %+.4g and %+.4g.", r.Mean, s.Unit, 100*t.Confidence, t.Low, t.High))
	} else {
		lines = append(lines, fmt.Sprintf("First less second is %+.4g %s each time.", r.Mean, s.Unit))
	}
	if !r.Explained.IsZero() {
		lines = append(lines, fmt.Sprintf("Air buoyancy was taken off before: it explains %s %s in all, %+.4g a difference.", r.Explained, s.Unit, r.Explained.Float()/float64(r.Count)))
	}
	return strings.Join(append(lines, fmt.Sprintf("Without any bias the cumulative sum signals within %d differences with a chance of %s.", r.Count, chanceWords(r.FalseAlarm))), " ")
}

// costWords says what the differences have moved so far.
func (s Series) costWords(r BiasReport) []string {
	if r.Ounces.IsZero() && len(r.Cost) == 0 {
		return nil
	}
	gained := "to the gain of"
	if r.Ounces.Sign() > 0 {
		gained = "at the cost of"
	}
	text := fmt.Sprintf("If %s are right, the differences have moved %s oz fine %s", s.First, r.Ounces.Abs(), s.Element)
	var money []string
	for _, m := range r.Cost {
		amount, err := quantity.NewMoney(m.Amount().Abs(), m.Currency())
		if err == nil {
			money = append(money, amount.String())
		}
	}
	if len(money) > 0 {
		text += ", " + strings.Join(money, " and ")
		if r.Priced < r.Count {
			text += fmt.Sprintf(" (a price is known for %d of %d)", r.Priced, r.Count)
		}
	}
	if !r.Ounces.IsZero() {
		text += ", " + gained + " the first side"
	}
	if i := r.OuncesInterval; i != nil {
		text += fmt.Sprintf("; with %s %% confidence between %s and %s oz", s.Confidence.Shift(2).Trim(), i.Low, i.High)
		if c := r.CostInterval; c != nil {
			text += fmt.Sprintf(", %s and %s %s", c.Low, c.High, r.Cost[0].Currency())
		}
	}
	return []string{text + "."}
}

// chanceWords writes a chance in percent, small ones by their size.
func chanceWords(p float64) string {
	if p < 0.0001 {
		return "less than 0.01 %"
	}
	return fmt.Sprintf("%.2g %%", 100*p)
}

// upper makes a sentence start with a capital letter.
func upper(s string) string {
	if s != "" && s[0] >= 'a' && s[0] <= 'z' {
		return string(s[0]-'a'+'A') + s[1:]
	}
	return s
}
