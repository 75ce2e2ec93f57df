package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// row is one row of a CSV file with a header, its cells by column. Rows are numbered as a spreadsheet shows them: the
// header is row 1.
type row struct {
	number   int
	cells    map[string]string
	readings []string // the cells reading1, reading2, … that are filled
}

// wrong refuses a cell: the whole file with it, because nothing is imported by halves.
func (r row) wrong(column string, err error) error {
	return refusal.Invalidf("CSV_ROW_WRONG", column,
		"Row %d: %s. Nothing of the file was taken; mend the row and give the file again.",
		r.number, strings.TrimSuffix(station.TextOf(err),
			".")).With("row", strconv.Itoa(r.number)).With("column", column).Because(err)
}

// readRows reads a CSV file (RFC 4180, UTF-8) with a header. Columns may stand in any order; one that is missing or
// unknown is refused, because a misspelt column would be a silent gap. A column `reading1` stands for all readings.
func (a *app) readRows(path string, required, optional []string) ([]row, error) {
	text, err := a.input(path)
	if err != nil {
		return nil, err
	}
	return parseRows(text, required, optional)
}

func parseRows(text []byte, required, optional []string) ([]row, error) {
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	if !utf8.Valid(text) {
		return nil, refusal.Invalidf("CSV_MALFORMED", "", "The file is not UTF-8 text. Save it as CSV with UTF-8.")
	}
	r := csv.NewReader(bytes.NewReader(text))
	header, err := r.Read()
	if errors.Is(err, io.EOF) {
		return nil, refusal.Invalidf("CSV_EMPTY", "", "The file is empty; its first row names the columns: %s.",
			strings.Join(required, ", "))
	}
	if err != nil {
		return nil, malformedCSV(1, err)
	}
	if err := checkHeader(header, required, optional); err != nil {
		return nil, err
	}
	var rows []row
	for number := 2; ; number++ {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if errors.Is(err, csv.ErrFieldCount) {
			return nil, refusal.Invalidf("CSV_ROW_WRONG", "",
				"Row %d has %d cells, the header has %d. Nothing of the file was taken; mend the row and give the file again.",
				number, len(record), len(header)).With("row", strconv.Itoa(number))
		}
		if err != nil {
			return nil, malformedCSV(number, err)
		}
		if number > maxRows+1 {
			return nil, refusal.New(refusal.Exhausted, "CSV_TOO_LONG", "",
				"The file has more than the %d rows that are read. Split it.", maxRows)
		}
		one := row{number: number, cells: map[string]string{}}
		for i, cell := range record {
			one.cells[header[i]] = strings.TrimSpace(cell)
		}
		for i := 1; ; i++ {
			cell, there := one.cells["reading"+strconv.Itoa(i)]
			if !there {
				break
			}
			if cell != "" {
				one.readings = append(one.readings, cell)
			}
		}
		for _, column := range required {
			if one.cells[column] == "" {
				return nil, one.wrong(column, errors.New(column+" is empty"))
			}
		}
		rows = append(rows, one)
	}
	if len(rows) == 0 {
		return nil, refusal.Invalidf("CSV_EMPTY", "", "The file has a header and no rows.")
	}
	return rows, nil
}

// checkHeader trims the names of the columns in place and refuses a header that leaves out, repeats or adds one.
func checkHeader(header, required, optional []string) error {
	for i := range header {
		header[i] = strings.ToLower(strings.TrimSpace(header[i]))
	}
	allowed := append(slices.Clone(required), optional...)
	for _, column := range required {
		if !slices.Contains(header, column) {
			return refusal.Invalidf("CSV_COLUMN_MISSING", column,
				"The header has no column %s; found %s. Needed are %s%s.", column,
				strings.Join(header, ", "), strings.Join(required, ", "), with("; there may be ",
					strings.Join(optional, ", "))).With("column", column)
		}
	}
	for i, column := range header {
		number, isReading := strings.CutPrefix(column, "reading")
		n, err := strconv.Atoi(number)
		isReading = isReading && err == nil && n > 0 && slices.Contains(allowed, "reading1")
		if !isReading && !slices.Contains(allowed, column) {
			return refusal.Invalidf("CSV_COLUMN_UNKNOWN", column,
				"The column %q is not known here; the columns are %s. Rename it or take it out.", column,
				strings.Join(allowed, ", ")).With("column", column)
		}
		if slices.Contains(header[:i], column) {
			return refusal.Invalidf("CSV_COLUMN_REPEATED", column, "The header names %s twice.",
				column).With("column", column)
		}
	}
	return nil
}

func malformedCSV(number int, err error) error {
	return refusal.Invalidf("CSV_MALFORMED", "", "Row %d cannot be read as CSV: %v. Nothing of the file was taken.",
		number, err).
		With("row", strconv.Itoa(number)).Because(err)
}

// resultsOf reads results such as Au=812.3 or Cu=1.2%; a fineness without a unit is in parts per thousand.
func resultsOf(pairs []string) ([]*pb.AssayResult, error) {
	results := make([]*pb.AssayResult, len(pairs))
	for i, pair := range pairs {
		element, text, ok := strings.Cut(pair, "=")
		if !ok {
			return nil, refusal.Invalidf("RESULT_MALFORMED", "",
				"%q is no result; write the element, = and its parts per thousand, such as Au=812.44.", pair)
		}
		var err error
		if results[i], err = resultOf(element, text); err != nil {
			return nil, refusal.In(err, element)
		}
	}
	return results, nil
}

func resultOf(element, text string) (*pb.AssayResult, error) {
	if err := assay.Element(element).Check(); err != nil {
		return nil, err
	}
	if _, err := quantity.ParseDecimal(text); err == nil {
		text += " ppt"
	}
	f, err := quantity.ParseFineness(text)
	if err != nil {
		return nil, err
	}
	return &pb.AssayResult{Element: element, Fineness: f.String()}, nil
}

// body reads the body of an event from a JSON file, with the field names of the protos. What is unknown is refused.
func (a *app) body(path string, into proto.Message) error {
	text, err := a.input(path)
	if err != nil {
		return err
	}
	if err := protojson.Unmarshal(text, into); err != nil {
		return refusal.Invalidf("JSON_MALFORMED", "",
			"%s cannot be read as %s in JSON: %v. Field names are those of the protos.", path,
			into.ProtoReflect().Descriptor().Name(), strings.ReplaceAll(err.Error(), "\u00a0", " ")).Because(err)
	}
	return nil
}

// split reads `a:b:c` into exactly n parts, the last of which may hold more colons.
func split(text string, n int, form string) ([]string, error) {
	parts := strings.SplitN(text, ":", n)
	if len(parts) != n {
		return nil, refusal.Invalidf("FORM_WRONG", "", "%q is not of the form %s.", text, form)
	}
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	return parts, nil
}

// cutAt cuts a text at its nth colon, if it has so many.
func cutAt(text string, n int) (before, after string, found bool) {
	for i, r := range text {
		if r != ':' {
			continue
		}
		if n--; n == 0 {
			return text[:i], strings.TrimSpace(text[i+1:]), true
		}
	}
	return text, "", false
}

// several splits a cell of several numbers at blanks, semicolons or plus signs.
func several(cell string) []string {
	return strings.FieldsFunc(cell, func(r rune) bool { return r == ' ' || r == ';' || r == '+' || r == ',' })
}
