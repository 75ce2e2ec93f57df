package assay

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Laboratory is what is known of a laboratory's results, in parts per thousand, from its record or as somebody believes.
type Laboratory struct {
	Sigma quantity.Decimal `json:"sigma"` // standard deviation of one reported result; more than zero
	Bias  quantity.Decimal `json:"bias"`  // how much it reads too high on average; negative is too low
}

func (l Laboratory) check() error {
	if l.Sigma.Sign() <= 0 || l.Sigma.Cmp(quantity.NewDecimal(100)) > 0 {
		return refusal.Invalidf("SIGMA_OUT_OF_RANGE", "sigma", "a standard deviation of %s ppt is missing or not possible; give one above 0 and at most 100", l.Sigma).With("value", l.Sigma.String())
	}
	if l.Bias.Abs().Cmp(quantity.NewDecimal(100)) > 0 {
		return refusal.Invalidf("BIAS_OUT_OF_RANGE", "bias", "a bias of %s ppt is not possible; it lies from -100 to 100", l.Bias).With("value", l.Bias.String())
	}
	return nil
}

// AdviceInput is an open difference and what is known around it. Everything is required but Base.
type AdviceInput struct {
	Side    Side              `json:"side"` // whose interest the advice serves
	Seller  quantity.Fineness `json:"seller"`
	Refiner quantity.Fineness `json:"refiner"`
	Terms   ExchangeTerms     `json:"terms"`
	Base    Element           `json:"base,omitempty"` // largest component, when the limits depend on it
	// SellerLab, RefinerLab and UmpireLab are the laboratories' precision and bias.
	SellerLab  Laboratory       `json:"seller_lab"`
	RefinerLab Laboratory       `json:"refiner_lab"`
	UmpireLab  Laboratory       `json:"umpire_lab"`
	Mass       quantity.Mass    `json:"mass"`    // settlement weight, gross
	Payable    quantity.Decimal `json:"payable"` // percent of fine metal that is paid, above 0 to 100
	Price      quantity.Money   `json:"price"`   // per troy ounce
	Fee        quantity.Money   `json:"fee"`     // the umpire's, in the currency of the price
}

// Check refuses an input that leaves anything out.
func (in AdviceInput) Check() error {
	if err := in.Side.Check(); err != nil {
		return err
	}
	for _, l := range []struct {
		field string
		lab   Laboratory
	}{{"seller_lab", in.SellerLab}, {"refiner_lab", in.RefinerLab}, {"umpire_lab", in.UmpireLab}} {
		if err := l.lab.check(); err != nil {
			return refusal.In(err, l.field)
		}
	}
	if err := in.Mass.Positive(); err != nil {
		return refusal.In(err, "mass")
	}
	if in.Payable.Sign() <= 0 || in.Payable.Cmp(quantity.NewDecimal(100)) > 0 {
		return refusal.Invalidf("PAYABLE_OUT_OF_RANGE", "payable", "%s %% payable is missing or not possible; give a percentage above 0 and at most 100", in.Payable).With("value", in.Payable.String())
	}
	if in.Price.Amount().Sign() <= 0 {
		return refusal.Invalidf("PRICE_NOT_POSITIVE", "price", "the price per ounce is missing or not positive; give it, such as 2350.25 USD")
	}
	if in.Fee.IsZero() || in.Fee.Amount().Sign() < 0 {
		return refusal.Invalidf("FEE_MISSING", "fee", "the umpire's fee is missing or negative; give it, such as 900.00 USD")
	}
	if in.Fee.Currency() != in.Price.Currency() {
		return refusal.Invalidf("CURRENCY_MIXED", "fee", "a fee in %s and a price in %s cannot be compared; give both in one currency", in.Fee.Currency(), in.Price.Currency())
	}
	return in.Terms.Check()
}

// Outcome is one way in which the umpire's result may fall.
type Outcome struct {
	Name        string  `json:"name"`
	Probability float64 `json:"probability"`
	Settled     float64 `json:"settled"` // expected settled fineness if it falls so, ppt; 0 when it practically cannot
}

// Advice is a forecast and no settlement: its figures are statistics in binary floating point. Fineness in parts per
// thousand, ounces are payable troy ounces, money is in Currency; gains are from the view of Side.
type Advice struct {
	Side            Side              `json:"side"`
	Words           []string          `json:"words"` // plain words first
	GoOn            bool              `json:"go_on"` // the umpire is expected to bring more than the mean, after the fee
	Currency        quantity.Currency `json:"currency"`
	Difference      float64           `json:"difference"` // own less other result
	Limit           float64           `json:"limit"`
	TrueFineness    float64           `json:"true_fineness"`   // expected from both results, precisions and biases
	TrueSigma       float64           `json:"true_sigma"`      // of that expectation
	ExpectedUmpire  float64           `json:"expected_umpire"` // expected result of the umpire
	UmpireSigma     float64           `json:"umpire_sigma"`    // of it
	ExpectedSettled float64           `json:"expected_settled"`
	SettledSigma    float64           `json:"settled_sigma"`
	Outcomes        []Outcome         `json:"outcomes"` // add to 1
	NearerOwn       float64           `json:"nearer_own"`
	NearerOther     float64           `json:"nearer_other"`
	OuncesToMean    float64           `json:"ounces_to_mean"`  // expected ounces gained over settling on the mean
	OuncesToOther   float64           `json:"ounces_to_other"` // expected ounces gained over accepting the other's result
	ExpectedFee     float64           `json:"expected_fee"`    // own share
	FeeAtRisk       float64           `json:"fee_at_risk"`     // own share if it goes against Side
	MoneyToMean     float64           `json:"money_to_mean"`   // after the expected fee
	MoneyToOther    float64           `json:"money_to_other"`  // after the expected fee
	WorseThanMean   float64           `json:"worse_than_mean"` // chance that going on ends below the mean, after the fee
	WorstMoney      float64           `json:"worst_money"`     // loss against the mean that is exceeded once in twenty, after the fee; negative
	// BreakEvenBias is the bias of one's own laboratory at which going on is worth exactly as much as the mean, all else as
	// given; absent when there is none within 100 ppt.
	BreakEvenBias *float64 `json:"break_even_bias,omitempty"`
}

// ReadAdvice reads an AdviceInput in JSON and answers it.
func ReadAdvice(b []byte) (Advice, error) {
	var in AdviceInput
	if err := read(b, &in, "the advice input"); err != nil {
		return Advice{}, err
	}
	return Advise(in)
}

// Advise forecasts what the umpire would bring for one side of a difference outside the splitting limit.
//
// Model: before any result the true fineness t may be anything; each laboratory reports t + bias + a normal error. Given
// both results, t is normal with mean m = Σ w(x - bias) / Σ w and variance 1 / Σ w, w = 1/σ²; the umpire's result is
// normal about m + its bias with the variances added. Every umpire rule is linear in the umpire's result between its
// break points, so all expectations are closed forms (partial moments of the normal distribution). Rounding of the
// settled figure is left out. The model knows nothing of a disturbed sample packet, a wrong method or a careless clerk.
func Advise(in AdviceInput) (Advice, error) {
	if err := in.Check(); err != nil {
		return Advice{}, err
	}
	split, err := Split(in.Seller, in.Refiner, in.Terms.ForBase(in.Base))
	if err != nil {
		return Advice{}, err
	}
	if split.Within {
		return Advice{}, refusal.New(refusal.Precondition, "UMPIRE_NOT_DUE", "", "the results differ by %s ppt, within the splitting limit of %s ppt, so their mean is settled and there is nothing to decide", split.Difference.Abs(), split.Limit)
	}
	g := in.game(split)
	a := Advice{
		Side: in.Side, Currency: in.Price.Currency(), Difference: g.own - g.other, Limit: g.limit,
		TrueFineness: g.truth, TrueSigma: g.truthSigma, ExpectedUmpire: g.umpire.Mu, UmpireSigma: g.umpire.Sigma,
	}
	f := g.forecast()
	a.ExpectedSettled, a.SettledSigma = f.settled, math.Sqrt(max(0, f.square-f.settled*f.settled))
	a.NearerOwn = g.umpire.CDF(g.middle())
	if g.own > g.other {
		a.NearerOwn = 1 - a.NearerOwn
	}
	a.NearerOther = 1 - a.NearerOwn
	a.Outcomes = g.outcomes()
	a.OuncesToMean = g.sign * (f.settled - g.middle()) * g.ounces
	a.OuncesToOther = g.sign * (f.settled - g.other) * g.ounces
	a.ExpectedFee, a.FeeAtRisk = f.fee, g.fee
	if in.Terms.CostRule == CostShared {
		a.FeeAtRisk = g.fee / 2
	}
	a.MoneyToMean = a.OuncesToMean*g.price - f.fee
	a.MoneyToOther = a.OuncesToOther*g.price - f.fee
	a.WorseThanMean = g.below(0)
	a.WorstMoney = g.quantile(0.05)
	a.GoOn = a.MoneyToMean > 0
	a.BreakEvenBias = g.breakEven()
	a.Words = a.words(in)
	return a, nil
}

// game is an open difference in floating point, seen from one side.
type game struct {
	seller, refiner    float64 // results
	own, other         float64 // the same by side
	limit              float64
	rule               UmpireRule
	tie                TieRule
	cost               CostRule
	ownSeller          bool
	sign               float64 // +1: more fineness is good for the side, -1: bad
	ounces             float64 // payable ounces in one part per thousand
	price, fee         float64
	truth, truthSigma  float64
	ownWeight, ownBias float64 // how far own bias moves the truth
	umpire             distuv.Normal
}

func (in AdviceInput) game(split Splitting) game {
	g := game{
		seller: in.Seller.PerMille().Float(), refiner: in.Refiner.PerMille().Float(),
		limit: split.Limit.Float(), rule: in.Terms.UmpireRule, tie: in.Terms.TieRule, cost: in.Terms.CostRule,
		ownSeller: in.Side == Seller, price: in.Price.Amount().Float(), fee: in.Fee.Amount().Float(),
		ounces: in.Mass.Grams().Float() / 1000 / quantity.GramsPerOunce.Float() * in.Payable.Float() / 100,
	}
	weight := func(l Laboratory) float64 { return 1 / (l.Sigma.Float() * l.Sigma.Float()) }
	ws, wr := weight(in.SellerLab), weight(in.RefinerLab)
	g.truth = (ws*(g.seller-in.SellerLab.Bias.Float()) + wr*(g.refiner-in.RefinerLab.Bias.Float())) / (ws + wr)
	g.truthSigma = 1 / math.Sqrt(ws+wr)
	g.umpire = distuv.Normal{Mu: g.truth + in.UmpireLab.Bias.Float(), Sigma: math.Hypot(g.truthSigma, in.UmpireLab.Sigma.Float())}
	g.own, g.other, g.sign = g.seller, g.refiner, 1
	g.ownWeight, g.ownBias = ws/(ws+wr), in.SellerLab.Bias.Float()
	if !g.ownSeller {
		g.own, g.other, g.sign = g.refiner, g.seller, -1
		g.ownWeight, g.ownBias = wr/(ws+wr), in.RefinerLab.Bias.Float()
	}
	return g
}

func (g game) middle() float64 { return (g.seller + g.refiner) / 2 }

// settled is the umpire rule in floating point; ties have no probability and are left to either side of them.
func (g game) settled(u float64) float64 {
	low, high := min(g.seller, g.refiner), max(g.seller, g.refiner)
	nearer := low
	if u > g.middle() {
		nearer = high
	}
	switch g.rule {
	case MiddleOfThree:
		return min(max(u, low), high)
	case MeanWithNearer:
		return (u + nearer) / 2
	case TwoClosest:
		if math.Abs(u-nearer) > high-low {
			return g.middle()
		}
		return (u + nearer) / 2
	}
	return u
}

// share is the side's part of the fee.
func (g game) share(u float64) float64 {
	own, other := math.Abs(g.own-u), math.Abs(g.other-u)
	ownPays, otherPays := own > other, other > own
	switch g.cost {
	case CostShared:
		return 0.5
	case OutsideLimitPays:
		ownPays, otherPays = own > g.limit, other > g.limit
	}
	switch {
	case ownPays == otherPays:
		return 0.5
	case ownPays:
		return 1
	}
	return 0
}

// piece is an interval of the umpire's result on which the settled figure is a + b·u and the fee share is constant.
type piece struct{ from, to, a, b, share float64 }

func (g game) pieces() []piece {
	low, high := min(g.seller, g.refiner), max(g.seller, g.refiner)
	width := high - low
	breaks := []float64{
		math.Inf(-1), low - width, low, g.middle(), high, high + width, low - g.limit, low + g.limit, high - g.limit,
		high + g.limit, math.Inf(1),
	}
	slices.Sort(breaks)
	var pieces []piece
	for i, to := range breaks[1:] {
		from := breaks[i]
		if from == to {
			continue
		}
		inside := from + (to-from)/3
		beside := from + (to-from)*2/3
		switch {
		case math.IsInf(from, -1):
			inside, beside = to-2*width, to-width
		case math.IsInf(to, 1):
			inside, beside = from+width, from+2*width
		}
		p := piece{from: from, to: to, share: g.share(inside)}
		p.b = math.Round((g.settled(beside)-g.settled(inside))/(beside-inside)*2) / 2 // slopes are 0, ½ and 1
		p.a = g.settled(inside) - p.b*inside
		pieces = append(pieces, p)
	}
	return pieces
}

// moments returns the probability of from < u <= to and the partial first and second moments of u there.
func moments(n distuv.Normal, from, to float64) (p, first, second float64) {
	a, b := (from-n.Mu)/n.Sigma, (to-n.Mu)/n.Sigma
	cdf := func(z float64) float64 { return distuv.UnitNormal.CDF(z) }
	if a > 0 { // the upper tail keeps its digits when it is mirrored
		p = cdf(-a) - cdf(-b)
	} else {
		p = cdf(b) - cdf(a)
	}
	density := func(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }
	times := func(z float64) float64 { // z·φ(z), 0 at both ends
		if math.IsInf(z, 0) {
			return 0
		}
		return z * density(z)
	}
	z1 := density(a) - density(b)
	z2 := p + times(a) - times(b)
	return p, n.Mu*p + n.Sigma*z1, n.Mu*n.Mu*p + 2*n.Mu*n.Sigma*z1 + n.Sigma*n.Sigma*z2
}

// forecast holds the expected settled figure, its square, and the side's expected part of the fee.
type forecast struct{ settled, square, fee float64 }

func (g game) forecast() (f forecast) {
	// Moments about the middle of the two results, so that a variance of 0.01 is not lost in a square of 800.
	middle := g.middle()
	n := distuv.Normal{Mu: g.umpire.Mu - middle, Sigma: g.umpire.Sigma}
	var about, square float64
	for _, piece := range g.pieces() {
		p, first, second := moments(n, piece.from-middle, piece.to-middle)
		a := piece.a + piece.b*middle - middle
		about += a*p + piece.b*first
		square += a*a*p + 2*a*piece.b*first + piece.b*piece.b*second
		f.fee += piece.share * g.fee * p
	}
	f.settled = middle + about
	f.square = square + 2*middle*about + middle*middle
	return f
}

// net is what the side gains in money over the mean when the umpire reports u, after its part of the fee.
func (p piece) net(g game, u float64) float64 {
	return g.sign*(p.a+p.b*u-g.middle())*g.ounces*g.price - p.share*g.fee
}

// below returns the chance that the side gains less than money over the mean, after its part of the fee.
func (g game) below(money float64) (chance float64) {
	for _, p := range g.pieces() {
		probability, _, _ := moments(g.umpire, p.from, p.to)
		slope := g.sign * p.b * g.ounces * g.price
		if slope == 0 {
			if p.net(g, g.middle()) < money {
				chance += probability
			}
			continue
		}
		root := min(max((money-p.net(g, 0))/slope, p.from), p.to)
		from, to := p.from, root
		if slope < 0 {
			from, to = root, p.to
		}
		part, _, _ := moments(g.umpire, from, to)
		chance += part
	}
	return min(1, chance)
}

// quantile returns the gain over the mean below which the side ends with this probability.
func (g game) quantile(probability float64) float64 {
	span := (math.Abs(g.own-g.other)+10*g.umpire.Sigma+math.Abs(g.umpire.Mu-g.middle()))*g.ounces*g.price + g.fee
	low, high := -span, span
	for range 200 {
		if middle := (low + high) / 2; g.below(middle) < probability {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}

func (g game) outcomes() []Outcome {
	low, high := min(g.seller, g.refiner), max(g.seller, g.refiner)
	lowName, highName := "refiner", "seller"
	if g.seller < g.refiner {
		lowName, highName = highName, lowName
	}
	var outcomes []Outcome
	for _, o := range []struct {
		name     string
		from, to float64
	}{
		{"below both", math.Inf(-1), low},
		{"between, nearer the " + lowName, low, g.middle()},
		{"between, nearer the " + highName, g.middle(), high},
		{"above both", high, math.Inf(1)},
	} {
		var chance, value float64
		for _, piece := range g.pieces() {
			from, to := max(piece.from, o.from), min(piece.to, o.to)
			if from >= to {
				continue
			}
			p, first, _ := moments(g.umpire, from, to)
			chance += p
			value += piece.a*p + piece.b*first
		}
		outcome := Outcome{Name: o.name, Probability: chance}
		if chance > 1e-12 {
			outcome.Settled = value / chance
		}
		outcomes = append(outcomes, outcome)
	}
	return outcomes
}

// worth is the expected gain over the mean after the fee, if own bias were this.
func (g game) worth(bias float64) float64 {
	g.umpire.Mu -= g.ownWeight * (bias - g.ownBias)
	f := g.forecast()
	return g.sign*(f.settled-g.middle())*g.ounces*g.price - f.fee
}

// breakEven looks outward from the given bias for the nearest one at which going on is worth nothing.
func (g game) breakEven() *float64 {
	step := g.umpire.Sigma / g.ownWeight / 20
	here := g.worth(g.ownBias)
	for i := 1; i <= 4000 && float64(i)*step <= 100; i++ {
		for _, direction := range []float64{1, -1} {
			far := g.ownBias + direction*float64(i)*step
			near := far - direction*step
			if (g.worth(far) > 0) == (here > 0) {
				continue
			}
			for range 100 {
				if middle := (near + far) / 2; (g.worth(middle) > 0) == (here > 0) {
					near = middle
				} else {
					far = middle
				}
			}
			return &far
		}
	}
	return nil
}

func (a Advice) words(in AdviceInput) []string {
	verb := "Going on to the umpire is not expected to pay"
	if a.GoOn {
		verb = "Going on to the umpire is expected to pay"
	}
	lines := []string{
		fmt.Sprintf("%s for the %s: %+.2f %s against settling on the mean, after %.2f of the fee; %+.2f against accepting the %s's result.",
			verb, a.Side, a.MoneyToMean, a.Currency, a.ExpectedFee, a.MoneyToOther, a.Side.Other()),
		fmt.Sprintf("The umpire comes nearer the %s with a chance of %.0f %%, nearer the %s with %.0f %%; the settled figure is expected at %.3f ppt, %+.3f oz payable against the mean.",
			a.Side, 100*a.NearerOwn, a.Side.Other(), 100*a.NearerOther, a.ExpectedSettled, a.OuncesToMean),
		fmt.Sprintf("The chance of ending worse than the mean is %.0f %%; once in twenty it costs more than %.2f %s. The fee at risk is %.2f.",
			100*a.WorseThanMean, -min(0, a.WorstMoney), a.Currency, a.FeeAtRisk),
	}
	if a.BreakEvenBias != nil {
		lines = append(lines, fmt.Sprintf("It would be worth neither more nor less than the mean if the %s's own laboratory read %+.3f ppt from the truth; %+.3f was assumed.",
			a.Side, *a.BreakEvenBias, in.lab(a.Side).Bias.Float()))
	}
	return append(lines, "This is a forecast from the precisions and biases given; it knows nothing of a disturbed sample or a wrong method.")
}

func (in AdviceInput) lab(s Side) Laboratory {
	if s == Seller {
		return in.SellerLab
	}
	return in.RefinerLab
}

// SplitShare returns the share of honest lots whose two results differ by more than limit, when each laboratory's single
// results have the reproducibility standard deviation sigmaR and no bias: 2(1 - Φ(L / (σR √2))). Both in the same unit.
// A sigmaR of 0 gives 0; NaN comes back for a negative argument.
func SplitShare(limit, sigmaR float64) float64 {
	if limit < 0 || sigmaR < 0 {
		return math.NaN()
	}
	return 2 * distuv.UnitNormal.CDF(-limit/(sigmaR*math.Sqrt2))
}

// LimitWarning warns of a splitting limit in parts per thousand that is tighter than the reproducibility of the
// laboratories, R = 2.8 σR (ISO 5725), and says what share of honest lots it sends on; empty when there is nothing to say.
func LimitWarning(limit quantity.Decimal, sigmaR quantity.Decimal) string {
	if sigmaR.Sign() <= 0 || limit.Cmp(quantity.MustDecimal("2.8").Mul(sigmaR)) >= 0 {
		return ""
	}
	return fmt.Sprintf("the splitting limit of %s ppt is tighter than the laboratories' own reproducibility of %s ppt: about %.1f %% of honest lots would go beyond it",
		limit, quantity.MustDecimal("2.8").Mul(sigmaR), 100*SplitShare(limit.Float(), sigmaR.Float()))
}
