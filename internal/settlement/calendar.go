package settlement

import (
	"encoding/json"
	"fmt"
	"time"

	"barward/internal/refusal"
)

// Date is a calendar day without a time or a zone, from 1900 to 2199. The zero value is no day (see IsZero). Dates may
// be compared with == and used as map keys.
type Date struct{ day int32 } // days since 31 December 1969; 0 is none

// NewDate returns a day; it refuses one that does not exist or lies outside 1900 to 2199.
func NewDate(year int, month time.Month, day int) (Date, error) {
	t := time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
	if year < firstYear || year > lastYear || t.Month() != month || t.Day() != day {
		return Date{}, refusal.Invalidf("DATE_UNKNOWN", "",
			"%d-%02d-%02d is not a day from %d to %d", year, int(month), day, firstYear, lastYear)
	}
	return dateOf(t), nil
}

func dateOf(t time.Time) Date {
	seconds := t.Unix()
	day := seconds / 86400
	if seconds%86400 < 0 {
		day--
	}
	if day >= 0 { // 0 is no day, so that days from 1970 are moved up by one
		day++
	}
	return Date{int32(day)}
}

func (d Date) time() time.Time { return time.Unix(int64(d.serial())*86400, 0).UTC() }

// serial counts days without the gap that IsZero needs.
func (d Date) serial() int {
	if d.day > 0 {
		return int(d.day) - 1
	}
	return int(d.day)
}

// ParseDate reads a day as ISO 8601 writes it, such as 2027-10-31.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil || t.Year() < firstYear || t.Year() > lastYear {
		return Date{}, refusal.Invalidf("DATE_MALFORMED", "",
			"%q is not a day from %d to %d; write it as 2027-10-31", clip(s), firstYear, lastYear).With("value", clip(s))
	}
	return dateOf(t), nil
}

// MustDate is ParseDate for constants in code; it panics on what ParseDate refuses.
func MustDate(s string) Date {
	d, err := ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

// IsZero reports whether no day was given.
func (d Date) IsZero() bool { return d.day == 0 }

// Add returns the day n days later, or earlier for a negative n.
func (d Date) Add(n int) Date { return dateOf(time.Unix(int64(d.serial()+n)*86400, 0)) }

// Sub returns the number of days from e to d.
func (d Date) Sub(e Date) int { return d.serial() - e.serial() }

// Before reports whether d is earlier than e.
func (d Date) Before(e Date) bool { return d.serial() < e.serial() }

// Parts returns year, month and day of the month.
func (d Date) Parts() (int, time.Month, int) { return d.time().Date() }

// Weekday returns the day of the week.
func (d Date) Weekday() time.Weekday { return d.time().Weekday() }

// String writes the day as 2027-10-31, and no day as nothing.
func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	return d.time().Format(time.DateOnly)
}

// MarshalJSON writes the day as a JSON string.
func (d Date) MarshalJSON() ([]byte, error) { return json.Marshal(d.String()) }

// UnmarshalJSON reads what MarshalJSON writes; an empty string is no day.
func (d *Date) UnmarshalJSON(b []byte) error {
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return refusal.Invalidf("DATE_MALFORMED", "", "a day is a string such as \"2027-10-31\"")
	}
	if s == "" {
		*d = Date{}
		return nil
	}
	parsed, err := ParseDate(s)
	if err != nil {
		return err
	}
	*d = parsed
	return nil
}

// Calendar names days on which a bank or a publisher of prices is closed, besides Saturdays and Sundays.
type Calendar struct {
	Name string `json:"name"`
	Days []Date `json:"days"`
	Refs []Ref  `json:"refs,omitempty"`
}

// Calendars answers which days are business days when all of them must be open.
type Calendars struct {
	closed map[Date]bool
	refs   []Ref
}

// Join returns the calendars of these names; a day counts when all are open. It refuses a name that is not among them.
// No names at all close weekends only.
func Join(calendars []Calendar, names []string) (Calendars, error) {
	joined := Calendars{closed: map[Date]bool{}}
	for _, name := range names {
		at := -1
		for i := range calendars {
			if calendars[i].Name == name {
				at = i
			}
		}
		if at < 0 {
			return Calendars{}, refusal.New(refusal.Precondition, "CALENDAR_MISSING", "holidays",
				"the terms count by the calendar %q, whose holidays are not given; publish them first",
				clip(name)).With("calendar", clip(name))
		}
		for _, d := range calendars[at].Days {
			joined.closed[d] = true
		}
		joined.refs = append(joined.refs, calendars[at].Refs...)
	}
	return joined, nil
}

// Open reports whether d is a business day.
func (c Calendars) Open(d Date) bool {
	weekday := d.Weekday()
	return weekday != time.Saturday && weekday != time.Sunday && !c.closed[d]
}

// step walks from d, itself included, to the nearest business day in one direction.
func (c Calendars) step(d Date, by int) (Date, error) {
	for range maxStep {
		if c.Open(d) {
			return d, nil
		}
		d = d.Add(by)
	}
	return Date{}, refusal.Invalidf("CALENDAR_CLOSED", "holidays",
		"there is no business day within %d days of %s; check the holidays", maxStep, d)
}

// Adjust moves d to a business day as rule says; a business day stays where it is.
func (c Calendars) Adjust(d Date, rule BusinessDay) (Date, error) {
	switch rule {
	case Following:
		return c.step(d, 1)
	case Preceding:
		return c.step(d, -1)
	case ModifiedFollowing:
		next, err := c.step(d, 1)
		if err != nil {
			return Date{}, err
		}
		_, month, _ := d.Parts()
		if _, landed, _ := next.Parts(); landed != month {
			return c.step(d, -1)
		}
		return next, nil
	}
	return Date{}, refusal.Invalidf("TERM_UNKNOWN", "business_day_rule",
		"%q is not a business day rule; use following, modified_following or preceding", clip(string(rule)))
}

// Count returns the business day n business days after d, or before it for a negative n; d itself is not counted.
func (c Calendars) Count(d Date, n int) (Date, error) {
	by, left := 1, n
	if n < 0 {
		by, left = -1, -n
	}
	for ; left > 0; left-- {
		next, err := c.step(d.Add(by), by)
		if err != nil {
			return Date{}, err
		}
		d = next
	}
	return d, nil
}

// Month returns the business days of the calendar month of d, or of the month that many after it.
func (c Calendars) Month(d Date, after int) []Date {
	year, month, _ := d.Parts()
	first := dateOf(time.Date(year, month+time.Month(after), 1, 0, 0, 0, 0, time.UTC))
	end := dateOf(time.Date(year, month+time.Month(after)+1, 1, 0, 0, 0, 0, time.UTC))
	var days []Date
	for d := first; d.Before(end); d = d.Add(1) {
		if c.Open(d) {
			days = append(days, d)
		}
	}
	return days
}

// Run returns n business days from d on; d is the first if it is one.
func (c Calendars) Run(d Date, n int) ([]Date, error) {
	days := make([]Date, 0, n)
	for len(days) < n {
		open, err := c.step(d, 1)
		if err != nil {
			return nil, err
		}
		days = append(days, open)
		d = open.Add(1)
	}
	return days, nil
}

// Missing lists what a date rule leaves out.
func (r Dating) Missing() []string {
	var missing []string
	if r.Event == "" {
		missing = append(missing, "event")
	}
	if r.Count == "" {
		missing = append(missing, "lag_count")
	}
	if r.Rule == "" {
		missing = append(missing, "business_day_rule")
	}
	return missing
}

// On returns the day that the rule names for an event on a date: the date, counted on by the lag, then adjusted to a
// business day.
func (r Dating) On(event Date, c Calendars) (Date, error) {
	d := event.Add(r.Lag)
	if r.Count == BusinessDays {
		var err error
		if d, err = c.Count(event, r.Lag); err != nil {
			return Date{}, err
		}
	}
	return c.Adjust(d, r.Rule)
}

// day finds the day that a rule names for a lot, with the entries it rests on and how it was reached, in words.
func (l *Lot) day(r Dating) (Date, Calendars, []Ref, string, error) {
	for _, e := range l.Dates {
		if e.Name != r.Event {
			continue
		}
		c, err := Join(l.Holidays, r.Calendars)
		if err != nil {
			return Date{}, Calendars{}, nil, "", err
		}
		d, err := r.On(e.Date, c)
		refs := append(append([]Ref(nil), e.Refs...), c.refs...)
		return d, c, refs, fmt.Sprintf("%s %s, %+d %s days, %s", r.Event, e.Date, r.Lag, r.Count, r.Rule), err
	}
	return Date{}, Calendars{}, nil, "", refusal.New(refusal.Precondition, "EVENT_MISSING", "dates",
		"the terms count from the %q of the lot, which has no date yet; record it first",
		clip(r.Event)).With("event", clip(r.Event))
}
