package settlement

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"sort"
	"strings"
	"unicode/utf8"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// table reads a CSV table (RFC 4180) with a header. The columns may stand in any order; a missing, unknown or repeated
// one is refused. Each row is handed to take with its cells in the order of columns; the header is row 1. The first row
// that is refused ends the reading, and its number is in the refusal: nothing of the table is used.
func table(b []byte, what string, columns []string, take func(row int, cells []string) error) error {
	if len(b) > maxTableBytes {
		return refusal.New(refusal.Exhausted, "DOCUMENT_TOO_LONG", "",
			"%s of %d bytes is longer than the %d allowed", what, len(b), maxTableBytes)
	}
	if !utf8.Valid(b) {
		return refusal.Invalidf("TEXT_MALFORMED", "", "%s is not UTF-8 text; save it as UTF-8", what)
	}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(b, []byte("\ufeff")))) // spreadsheets put a byte order mark before it
	r.ReuseRecord = true
	header, err := r.Read()
	if err != nil {
		return badRow(what, 1, err)
	}
	places, err := arrange(what, columns, header)
	if err != nil {
		return err
	}
	cells := make([]string, len(columns))
	for row := 2; ; row++ {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			if row == 2 {
				return refusal.Invalidf("TABLE_EMPTY", "", "%s has a header and no rows; give at least one", what)
			}
			return nil
		}
		if err != nil {
			return badRow(what, row, err)
		}
		if row > maxLines {
			return refusal.New(refusal.Exhausted, "TABLE_TOO_LONG", "",
				"%s has more than the %d rows allowed", what, maxLines)
		}
		for i, place := range places {
			cells[i] = strings.Clone(record[place])
		}
		if err := take(row, cells); err != nil {
			return refusal.In(err, fmt.Sprintf("row %d", row))
		}
	}
}

// arrange finds where each column stands in a header.
func arrange(what string, columns, header []string) ([]int, error) {
	places := make([]int, len(columns))
	found := map[string]int{}
	for i, h := range header {
		if _, twice := found[h]; twice {
			return nil, refusal.Invalidf("COLUMN_REPEATED",
				"row 1", "%s has the column %q twice; keep one", what, clip(h)).With("column", clip(h))
		}
		found[h] = i
	}
	var missing []string
	for i, c := range columns {
		place, ok := found[c]
		if !ok {
			missing = append(missing, c)
		}
		places[i] = place
		delete(found, c)
	}
	if len(missing) > 0 {
		list := strings.Join(missing, ", ")
		return nil, refusal.Invalidf("COLUMN_MISSING",
			"row 1",
			"%s lacks the columns %s; its header is %s", what, list, strings.Join(columns, ",")).With("missing", list)
	}
	var unknown []string
	for h := range found {
		unknown = append(unknown, fmt.Sprintf("%q", clip(h)))
	}
	if len(unknown) > 0 {
		sort.Strings(unknown)
		list := strings.Join(unknown[:min(len(unknown), 10)], ", ")
		return nil, refusal.Invalidf("COLUMN_UNKNOWN",
			"row 1",
			"%s has columns that are not known: %s; its header is %s", what, list, strings.Join(columns, ",")).With("unknown", list)
	}
	return places, nil
}

func badRow(what string, row int, err error) error {
	found := "it is empty"
	if !errors.Is(err, io.EOF) {
		found = err.Error()
	}
	return refusal.Invalidf("ROW_MALFORMED", fmt.Sprintf("row %d", row),
		"%s cannot be read: %s; mend the row, nothing of the table was used", what, clip(found)).Because(err)
}

var priceColumns = []string{"series", "date", "value"}

// ParsePrices reads published values from CSV with the columns series, date and value, such as
//
//	series,date,value
//	invented gold noon,2027-10-29,2350.25
//
// Rows may stand in any order; a day may have one value in a series. The series come back in order of their names, and
// their days in order.
func ParsePrices(b []byte) ([]Series, error) {
	rows := map[string]map[Date]Point{}
	err := table(b, "the table of prices", priceColumns, func(_ int, cells []string) error {
		if err := name(cells[0], "series"); err != nil {
			return err
		}
		d, err := ParseDate(cells[1])
		if err != nil {
			return refusal.In(err, "date")
		}
		value, err := quantity.ParseDecimal(cells[2])
		if err != nil {
			return refusal.In(err, "value")
		}
		if rows[cells[0]] == nil {
			if len(rows) == maxSeries {
				return refusal.New(refusal.Exhausted, "SERIES_TOO_MANY", "series",
					"%q is one series more than the %d allowed", clip(cells[0]), maxSeries)
			}
			rows[cells[0]] = map[Date]Point{}
		}
		if _, twice := rows[cells[0]][d]; twice {
			return refusal.Invalidf("PRICE_REPEATED", "date", "%q has two values on %s; give one", clip(cells[0]), d)
		}
		rows[cells[0]][d] = Point{Date: d, Value: value}
		return Series{Name: cells[0], Points: []Point{{Date: d, Value: value}}}.check()
	})
	if err != nil {
		return nil, err
	}
	var all []Series
	for name, points := range rows {
		s := Series{Name: name}
		for _, p := range points {
			s.Points = append(s.Points, p)
		}
		sort.Slice(s.Points, func(i, j int) bool { return s.Points[i].Date.Before(s.Points[j].Date) })
		all = append(all, s)
	}
	sort.Slice(all, func(i, j int) bool { return all[i].Name < all[j].Name })
	return all, checkSeries(all)
}

// PricesCSV prints series as ParsePrices reads them.
func PricesCSV(series []Series) []byte {
	return writeTable(priceColumns, func(write func(...string)) {
		for _, s := range series {
			for _, p := range s.Points {
				write(s.Name, p.Date.String(), p.Value.String())
			}
		}
	})
}

var holidayColumns = []string{"calendar", "date"}

// ParseHolidays reads holidays from CSV with the columns calendar and date. A day may stand once in a calendar. The
// calendars come back in order of their names, and their days in order.
func ParseHolidays(b []byte) ([]Calendar, error) {
	rows := map[string][]Date{}
	seen := map[string]map[Date]bool{}
	err := table(b, "the table of holidays", holidayColumns, func(_ int, cells []string) error {
		if err := name(cells[0], "calendar"); err != nil {
			return err
		}
		d, err := ParseDate(cells[1])
		if err != nil {
			return refusal.In(err, "date")
		}
		if seen[cells[0]] == nil {
			if len(seen) == maxSeries {
				return refusal.New(refusal.Exhausted, "CALENDARS_TOO_MANY", "calendar",
					"%q is one calendar more than the %d allowed", clip(cells[0]), maxSeries)
			}
			seen[cells[0]] = map[Date]bool{}
		}
		if seen[cells[0]][d] {
			return refusal.Invalidf("HOLIDAY_REPEATED", "date", "%q has %s twice; give it once", clip(cells[0]), d)
		}
		seen[cells[0]][d] = true
		rows[cells[0]] = append(rows[cells[0]], d)
		return nil
	})
	if err != nil {
		return nil, err
	}
	var all []Calendar
	for name, days := range rows {
		sort.Slice(days, func(i, j int) bool { return days[i].Before(days[j]) })
		all = append(all, Calendar{Name: name, Days: days})
	}
	sort.Slice(all, func(i, j int) bool { return all[i].Name < all[j].Name })
	return all, checkCalendars(all)
}

// HolidaysCSV prints calendars as ParseHolidays reads them.
func HolidaysCSV(calendars []Calendar) []byte {
	return writeTable(holidayColumns, func(write func(...string)) {
		for _, c := range calendars {
			for _, d := range c.Days {
				write(c.Name, d.String())
			}
		}
	})
}

// writeTable prints a header and rows.
func writeTable(columns []string, rows func(write func(...string))) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	put := func(cells ...string) {
		if err := w.Write(cells); err != nil {
			panic(err) // a buffer takes everything
		}
	}
	put(columns...)
	rows(put)
	w.Flush()
	return b.Bytes()
}
