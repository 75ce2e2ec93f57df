package settlement

import (
	"testing"

	"barward/internal/quantity"
)

func TestBusinessDayRules(t *testing.T) {
	open, err := Join(nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		day    string
		rule   BusinessDay
		want   string
		source string
	}{
		{"2027-10-31", Following, "2027-11-01", "reference 11, 2: Sunday 31 Oct 2027"},
		{"2027-10-31", ModifiedFollowing, "2027-10-29", "reference 11, 2: Sunday 31 Oct 2027"},
		{"2028-01-30", Following, "2028-01-31", "reference 11, 2: Sunday 30 Jan 2028"},
		{"2028-01-30", ModifiedFollowing, "2028-01-31", "reference 11, 2: Sunday 30 Jan 2028"},
		{"2027-10-31", Preceding, "2027-10-29", "by hand: the Friday before"},
		{"2027-10-29", ModifiedFollowing, "2027-10-29", "by hand: a business day stays"},
		{"2028-01-01", Preceding, "2027-12-31", "by hand: Saturday, over the year's end"},
	} {
		got, err := open.Adjust(MustDate(tt.day), tt.rule)
		if err != nil || got.String() != tt.want {
			t.Errorf("%s: %s %s = %s, %v; want %s", tt.source, tt.day, tt.rule, got, err, tt.want)
		}
	}
}

// Two calendars: a day counts only if both are open (reference 11, 2, from memory).
func TestTwoCalendars(t *testing.T) {
	calendars := []Calendar{
		{Name: "invented bank", Days: []Date{MustDate("2027-03-01")}},
		{Name: "invented fixing", Days: []Date{MustDate("2027-03-02")}},
	}
	for _, tt := range []struct {
		names []string
		want  string
	}{
		{nil, "2027-03-01"},
		{[]string{"invented bank"}, "2027-03-02"},
		{[]string{"invented fixing"}, "2027-03-01"},
		{[]string{"invented bank", "invented fixing"}, "2027-03-03"},
	} {
		c, err := Join(calendars, tt.names)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := c.Adjust(MustDate("2027-02-28"), Following); err != nil || got.String() != tt.want {
			t.Errorf("%v: %s, %v; want %s", tt.names, got, err, tt.want)
		}
	}
	_, err := Join(calendars, []string{"unheard of"})
	wantRefused(t, "CALENDAR_MISSING", err)
}

func TestLag(t *testing.T) {
	closed := []Calendar{{Name: "invented bank", Days: []Date{MustDate("2028-02-29"), MustDate("2027-12-27")}}}
	c, err := Join(closed, []string{"invented bank"})
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		event string
		lag   int
		count DayKind
		want  string
		why   string
	}{
		{"2027-12-23", 2, BusinessDays, "2027-12-28", "by hand: Fri 24, closed Mon 27, Tue 28"},
		{"2027-12-23", 2, CalendarDays, "2027-12-28", "by hand: Sat 25 goes over closed Monday to Tue 28"},
		{"2028-02-28", 1, BusinessDays, "2028-03-01", "by hand: 29 February is closed"},
		{"2028-02-28", 1, CalendarDays, "2028-03-01", "by hand: 29 February is closed"},
		{"2028-03-01", -1, BusinessDays, "2028-02-28", "by hand: back over the closed 29 February"},
		{"2027-12-31", 1, BusinessDays, "2028-01-03", "by hand: over the year's end and a weekend"},
		{"2027-12-31", 0, BusinessDays, "2027-12-31", "by hand: no lag"},
	} {
		got, err := Dating{Event: "melt", Lag: tt.lag, Count: tt.count, Rule: Following}.On(MustDate(tt.event), c)
		if err != nil || got.String() != tt.want {
			t.Errorf("%s: %s %+d %s = %s, %v; want %s", tt.why, tt.event, tt.lag, tt.count, got, err, tt.want)
		}
	}
}

func TestClosedForEver(t *testing.T) {
	var days []Date
	for d := MustDate("2027-01-01"); d.Before(MustDate("2029-01-01")); d = d.Add(1) {
		days = append(days, d)
	}
	c, err := Join([]Calendar{{Name: "shut", Days: days}}, []string{"shut"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = c.Adjust(MustDate("2027-03-01"), Following)
	wantRefused(t, "CALENDAR_CLOSED", err)
	_, err = c.Adjust(MustDate("2027-03-01"), "sideways")
	wantRefused(t, "TERM_UNKNOWN", err)
}

func TestDayCounts(t *testing.T) {
	for _, tt := range []struct {
		count      DayCount
		from, to   string
		days, year int
		source     string
	}{
		{Actual360, "2005-02-01", "2005-04-01", 59, 360, "reference 11, 1: 59/360"},
		{Actual365F, "2005-02-01", "2005-04-01", 59, 365, "reference 11, 1: the same actual days over 365"},
		{Actual360, "2028-02-01", "2028-04-01", 60, 360, "by hand: 29 February counts"},
		{Actual365F, "2027-12-31", "2028-12-31", 366, 365, "by hand: a leap year over 365"},
		{Thirty360US, "2005-02-01", "2005-04-01", 60, 360, "by hand: two months of thirty days"},
		{Thirty360US, "2027-01-31", "2027-03-31", 60, 360, "by hand: both 31st count as 30th"},
		{Thirty360US, "2027-01-30", "2027-03-31", 60, 360, "by hand: 31st after a 30th counts as 30th"},
		{Thirty360US, "2027-01-29", "2027-03-31", 62, 360, "by hand: 31st after a 29th stays"},
		{Thirty360US, "2027-02-28", "2027-03-31", 30, 360, "by hand: the last of February counts as 30th, so does the 31st"},
		{Thirty360US, "2028-02-29", "2028-08-31", 180, 360, "by hand: the same in a leap year"},
		{Thirty360US, "2028-02-28", "2028-03-31", 33, 360, "by hand: 28 February of a leap year is not its last day"},
		{Thirty360US, "2027-02-28", "2028-02-29", 360, 360, "by hand: both last of February"},
		{Thirty360US, "2027-12-15", "2028-01-15", 30, 360, "by hand: over the year's end"},
		{Actual360, "2027-12-30", "2028-01-02", 3, 360, "by hand: over the year's end"},
		{Actual360, "1969-12-30", "1970-01-02", 3, 360, "by hand: over the day that numbers count from"},
	} {
		days, year, err := tt.count.Days(MustDate(tt.from), MustDate(tt.to))
		if err != nil || days != tt.days || year != tt.year {
			t.Errorf("%s: %s %s to %s = %d/%d, %v; want %d/%d", tt.source, tt.count, tt.from, tt.to, days, year, err, tt.days, tt.year)
		}
	}
	_, _, err := DayCount("ACT/ACT").Days(MustDate("2027-01-01"), MustDate("2027-02-01"))
	wantRefused(t, "TERM_UNKNOWN", err)
}

// The day count of the advance moves the interest line, and nothing else.
func TestDayCountMovesInterest(t *testing.T) {
	for count, want := range map[DayCount]string{
		Actual360:   "12 days at 5.50 percent a year, -3808.14 USD", // reference 04, 5
		Actual365F:  "12 days at 5.50 percent a year, -3755.97 USD", // by hand: 2077165.99 × 0.055 × 12 / 365 = 3755.9713
		Thirty360US: "12 days at 5.50 percent a year, -3808.14 USD", // by hand: the same twelve days over 360
	} {
		s := settled(t, "full_settlement", func(in *PreviewInput) { in.Terms.Advance.DayCount = count })
		wantFigures(t, string(count), s, "interest/1", want)
	}
	// By hand, 26 February to 1 March 2027: three actual days, five of thirty-day months; 2077165.99 × 0.055 × 5 / 360.
	s := settled(t, "full_settlement", func(in *PreviewInput) {
		in.Terms.Advance.DayCount = Thirty360US
		in.Lot.Advances[0].Date, in.Lot.Payment.Date = MustDate("2027-02-26"), MustDate("2027-03-01")
	})
	wantFigures(t, "by hand", s, "interest/1", "5 days at 5.50 percent a year, -1586.72 USD")
}

func TestDates(t *testing.T) {
	for _, bad := range []string{"", "2027-02-29", "2027-13-01", "27-01-01", "2027-1-1", "1899-12-31", "2200-01-01", "2027-01-01T00:00:00Z"} {
		if d, err := ParseDate(bad); err == nil {
			t.Errorf("%q was read as %s", bad, d)
		}
	}
	for _, good := range []string{"1900-01-01", "1969-12-31", "1970-01-01", "2000-02-29", "2199-12-31"} {
		d := MustDate(good)
		if d.String() != good || d.IsZero() || d.Add(1).Sub(d) != 1 || d.Add(1).Add(-1) != d {
			t.Errorf("%s came back as %s", good, d)
		}
	}
	if _, err := NewDate(2027, 2, 29); err == nil {
		t.Error("29 February 2027 does not exist")
	}
	if d, err := NewDate(2028, 2, 29); err != nil || d.String() != "2028-02-29" {
		t.Errorf("29 February 2028: %s, %v", d, err)
	}
}

// quotational settles gold on a series around the end of February 2028, a leap year, with a holiday on the 29th.
func quotational(t *testing.T, period Period, days int, change ...func(*PreviewInput)) (Statement, error) {
	t.Helper()
	in := load(t, "full_settlement", func(in *PreviewInput) {
		in.Terms.Advance, in.Lot.Advances, in.Terms.Money.Advance, in.Terms.Money.Interest = nil, nil, quantity.Rounding{}, quantity.Rounding{}
		in.Terms.Metals = in.Terms.Metals[:1]
		p := in.Terms.Metals[0].Price
		p.Period, p.Days, p.Day.Calendars = period, days, []string{"invented fixing"}
		in.Lot.Dates[0].Date = MustDate("2028-02-25") // Friday
		in.Lot.Holidays = []Calendar{{Name: "invented fixing", Days: []Date{MustDate("2028-02-29")}, Refs: []Ref{"holidays"}}}
		in.Lot.Prices = []Series{{Name: "invented gold", Points: []Point{
			{Date: MustDate("2028-02-25"), Value: dec("2000.00")}, {Date: MustDate("2028-02-28"), Value: dec("2000.01")},
			{Date: MustDate("2028-03-01"), Value: dec("2000.02")}, {Date: MustDate("2028-03-03"), Value: dec("2000.10")},
		}}}
	})
	for _, c := range change {
		c(&in)
	}
	return tryPreview(t, in)
}

func TestQuotationalPeriod(t *testing.T) {
	missing := func(rule MissingPrice) func(*PreviewInput) {
		return func(in *PreviewInput) { in.Terms.Metals[0].Price.Missing = rule }
	}
	for _, tt := range []struct {
		period Period
		days   int
		change func(*PreviewInput)
		want   string
		source string
	}{
		{SingleDay, 0, nil, "2000.00 USD/oz", "by hand: the fixing of 25 February"},
		{MeanOfDays, 3, nil, "2000.01 USD/oz", "by hand: 25 and 28 February and 1 March; the holiday does not count"},
		{MeanOfDays, 2, nil, "2000.01 USD/oz", "by hand: mean 2000.005, half up"},
		{MeanOfDays, 2, func(in *PreviewInput) { in.Terms.Metals[0].Price.Rounding.Mode = quantity.Down }, "2000.00 USD/oz", "by hand: 2000.005 cut"},
		{MeanOfDays, 2, func(in *PreviewInput) { in.Terms.Metals[0].Price.Rounding.Mode = quantity.HalfEven }, "2000.00 USD/oz", "by hand: 2000.005 to the even digit"},
		{MeanOfDays, 5, missing(MissingSkipped), "2000.03 USD/oz", "reference 11, 3: divide by the number published; 8000.13 / 4 = 2000.0325, 2 March is missing"},
		{MeanOfDays, 5, missing(MissingLastBefore), "2000.03 USD/oz", "by hand: 2 March takes 2000.02; 10000.15 / 5"},
		{MeanOfDays, 5, missing(MissingNextAfter), "2000.05 USD/oz", "by hand: 2 March takes 2000.10; 10000.23 / 5 = 2000.046"},
		{MonthOf, 0, missing(MissingSkipped), "2000.01 USD/oz", "by hand: 25 and 28 February; 2000.005 half up"},
		{MonthAfter, 0, missing(MissingSkipped), "2000.06 USD/oz", "by hand: 1 and 3 March"},
		{MeanOfDays, 3, func(in *PreviewInput) { in.Terms.Metals[0].Price.Day.Lag = 1 }, "", "2 March is missing, and a guess is not made"},
		{MeanOfDays, 2, func(in *PreviewInput) { in.Terms.Metals[0].Price.Day.Lag = 1 }, "2000.02 USD/oz",
			"by hand: Saturday goes to 28 February; (2000.01 + 2000.02) / 2 = 2000.015 half up is .02"},
	} {
		if tt.change == nil {
			tt.change = func(*PreviewInput) {}
		}
		s, err := quotational(t, tt.period, tt.days, tt.change)
		if tt.want == "" {
			wantRefused(t, "PRICE_MISSING", err)
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", tt.source, err)
			continue
		}
		wantFigures(t, tt.source, s, "price/Au", tt.want)
	}
}

func TestProvisionalPriceIsOfTheDaysKnown(t *testing.T) {
	provisional := func(to string) func(*PreviewInput) {
		return func(in *PreviewInput) {
			in.Lot.Kind, in.Lot.Payment = Provisional, nil
			in.Terms.Metals[0].Price.Provisional = KnownDays
			if to != "" {
				in.Lot.PricedTo = MustDate(to)
			}
		}
	}
	s, err := quotational(t, MeanOfDays, 4, provisional("2028-02-28"))
	if err != nil {
		t.Fatal(err)
	}
	wantFigures(t, "reference 11, 3: average of the days known so far; by hand 2000.005", s, "price/Au", "2000.01 USD/oz")
	_, err = quotational(t, MeanOfDays, 4, provisional("2028-02-24"))
	wantRefused(t, "PRICE_MISSING", err)
	_, err = quotational(t, MeanOfDays, 4, provisional(""))
	wantRefused(t, "PRICED_TO_MISSING", err)
}
