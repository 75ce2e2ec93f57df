package settlement

import (
	"fmt"
	"sort"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Series is the published daily values of one price or one rate of exchange, in rising order of days.
type Series struct {
	Name   string  `json:"name"`
	Points []Point `json:"points"`
	Refs   []Ref   `json:"refs,omitempty"` // entries behind all of them
}

// Point is the value of one day.
type Point struct {
	Date  Date             `json:"date"`
	Value quantity.Decimal `json:"value"` // more than zero
	Refs  []Ref            `json:"refs,omitempty"`
}

// At returns the value published for a day.
func (s Series) At(d Date) (Point, bool) {
	i := s.search(d)
	if i < len(s.Points) && s.Points[i].Date == d {
		return s.Points[i], true
	}
	return Point{}, false
}

// search returns the index of the first point not before d.
func (s Series) search(d Date) int {
	return sort.Search(len(s.Points), func(i int) bool { return !s.Points[i].Date.Before(d) })
}

// near returns the nearest point before or after a day without one, within maxStep days.
func (s Series) near(d Date, rule MissingPrice) (Point, bool) {
	i := s.search(d)
	if rule == MissingLastBefore {
		i--
	}
	if i < 0 || i >= len(s.Points) {
		return Point{}, false
	}
	if gap := s.Points[i].Date.Sub(d); gap > maxStep || gap < -maxStep {
		return Point{}, false
	}
	return s.Points[i], true
}

// check refuses a series without a name or with days out of order.
func (s Series) check() error {
	if err := name(s.Name, "name"); err != nil {
		return err
	}
	if len(s.Points) > maxPoints {
		return refusal.New(refusal.Exhausted, "SERIES_TOO_LONG", "points",
			"a series of %d days is longer than the %d allowed", len(s.Points), maxPoints)
	}
	for i, p := range s.Points {
		at := fmt.Sprintf("points[%d]", i)
		if p.Date.IsZero() {
			return refusal.Invalidf("DATE_MISSING", at+".date", "a published value has no day; give it one")
		}
		if err := sized(p.Value); err != nil {
			return refusal.In(err, at+".value")
		}
		if p.Value.Sign() <= 0 {
			return refusal.Invalidf("PRICE_NOT_POSITIVE", at+".value",
				"a value of %s on %s is not possible; it must be more than zero",
				p.Value, p.Date).With("value", p.Value.String())
		}
		if i > 0 && !s.Points[i-1].Date.Before(p.Date) {
			return refusal.Invalidf("SERIES_ORDER", at+".date",
				"%s does not follow %s; put the days of %q in rising order, each once",
				p.Date, s.Points[i-1].Date, clip(s.Name))
		}
		if err := checkRefs(p.Refs, at+".refs"); err != nil {
			return err
		}
	}
	return checkRefs(s.Refs, "refs")
}

func find(series []Series, name string) (Series, bool) {
	for _, s := range series {
		if s.Name == name {
			return s, true
		}
	}
	return Series{}, false
}

// quote is a price as it will stand on a statement.
type quote struct {
	value    quantity.Decimal // rounded
	exact    ratio
	words    string
	refs     []Ref
	rounding quantity.Rounding
}

// mean averages the values of the days, dividing by the number found, after the missing rule has been asked for each day
// that has none.
func (s Series) mean(days []Date, missing MissingPrice, r quantity.Rounding) (quote, error) {
	var sum quantity.Decimal
	refs := append([]Ref(nil), s.Refs...)
	published := 0
	for _, d := range days {
		p, ok := s.At(d)
		if !ok {
			switch missing {
			case MissingSkipped:
				continue
			case MissingLastBefore, MissingNextAfter:
				p, ok = s.near(d, missing)
			}
		}
		if !ok {
			return quote{}, refusal.New(refusal.Precondition, "PRICE_MISSING", "prices",
				"%q has no value for %s, and the terms let nothing stand for it; publish it, or correct the holidays",
				clip(s.Name), d).With("series", clip(s.Name)).With("date", d.String())
		}
		sum, published = sum.Add(p.Value), published+1
		refs = append(refs, p.Refs...)
	}
	if published == 0 {
		return quote{}, refusal.New(refusal.Precondition, "PRICE_MISSING", "prices",
			"%q has no value on any of the %d days of the quotational period; publish them first",
			clip(s.Name), len(days)).With("series", clip(s.Name))
	}
	exact := ratio{sum, quantity.NewDecimal(int64(published))}
	value, err := exact.round(r)
	words := fmt.Sprintf("%s on %s", s.Name, days[0])
	if len(days) > 1 {
		words = fmt.Sprintf("mean of %d values of %s from %s to %s", published, s.Name, days[0], days[len(days)-1])
	}
	return quote{value: value, exact: exact, words: words, refs: unique(refs), rounding: r}, err
}

// price finds the price of one metal for a lot.
func (l *Lot) price(t PriceTerms) (quote, error) {
	series, ok := find(l.Prices, t.Series)
	if !ok {
		return quote{}, refusal.New(refusal.Precondition, "SERIES_MISSING", "prices",
			"the terms price by %q, of which no prices are given; publish them first",
			clip(t.Series)).With("series", clip(t.Series))
	}
	day, calendars, refs, how, err := l.day(t.Day)
	if err != nil {
		return quote{}, err
	}
	days := []Date{day}
	switch t.Period {
	case MeanOfDays:
		days, err = calendars.Run(day, t.Days)
	case MonthOf:
		days = calendars.Month(day, 0)
	case MonthAfter:
		days = calendars.Month(day, 1)
	}
	if err != nil {
		return quote{}, err
	}
	if l.Kind == Provisional && t.Provisional == KnownDays {
		if days, err = l.known(days); err != nil {
			return quote{}, err
		}
	}
	if len(days) == 0 {
		return quote{}, refusal.New(refusal.Precondition, "PRICE_MISSING", "prices",
			"the quotational period of %q has no business day; check the holidays",
			clip(t.Series)).With("series", clip(t.Series))
	}
	q, err := series.mean(days, t.Missing, t.Rounding)
	if err != nil {
		return quote{}, err
	}
	q.words += " (" + how + ")"
	q.refs = unique(append(q.refs, refs...))
	return q, nil
}

// known keeps the days of a period up to the last whose price is known.
func (l *Lot) known(days []Date) ([]Date, error) {
	if l.PricedTo.IsZero() {
		return nil, refusal.New(refusal.Precondition, "PRICED_TO_MISSING", "priced_to",
			"a provisional price is the mean of the days known so far; say up to which day prices are known")
	}
	n := 0
	for n < len(days) && !l.PricedTo.Before(days[n]) {
		n++
	}
	if n == 0 {
		return nil, refusal.New(refusal.Precondition, "PRICE_MISSING", "priced_to",
			"no day of the quotational period is known by %s; wait for one", l.PricedTo).With("date", l.PricedTo.String())
	}
	return days[:n], nil
}
