package main

import (
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	pretty "github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"golang.org/x/term"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/client/station"
)

// table is what is shown, whatever the form.
type table struct {
	columns []string
	rows    [][]string
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

// plainStyle is columns side by side under a line: nothing that a narrow terminal or a printout could not carry.
var plainStyle = pretty.Style{
	Name:    "plain",
	Box:     pretty.BoxStyle{PaddingRight: "  ", MiddleHorizontal: "─", UnfinishedRow: "…"},
	Options: pretty.Options{SeparateHeader: true},
}

// show prints t, or as JSON the messages that it was made from: one as an object, several as a list.
func (a *app) show(t table, messages ...proto.Message) error {
	if a.g.Output == "json" {
		return a.showJSON(messages)
	}
	return a.showTable(t)
}

func (a *app) showTable(t table) error {
	if a.g.Output == "csv" {
		w := csv.NewWriter(a.out)
		w.UseCRLF = true // RFC 4180
		if err := w.WriteAll(append([][]string{t.columns}, t.rows...)); err != nil {
			return err
		}
		w.Flush()
		return w.Error()
	}
	if len(t.rows) == 0 {
		say(a.out, "None.\n")
		return nil
	}
	w := pretty.NewWriter()
	w.SetStyle(plainStyle)
	var columns []pretty.ColumnConfig
	for i, width := range t.fit(a.width()) {
		c := pretty.ColumnConfig{Number: i + 1, WidthMax: width, WidthMaxEnforcer: text.WrapSoft}
		if figures[t.columns[i]] {
			c.Align = text.AlignRight
		}
		columns = append(columns, c)
	}
	w.SetColumnConfigs(columns)
	w.AppendHeader(rowOf(t.columns))
	for _, row := range t.rows {
		w.AppendRow(rowOf(row))
	}
	for _, line := range strings.Split(w.Render(), "\n") {
		say(a.out, "%s\n", strings.TrimRight(strings.ReplaceAll(line, glue, " "), " "))
	}
	return nil
}

// glue stands for the blank between a figure and its unit while a table is laid out, so that no line ends between them.
const glue = "\ue000"

var figureAndUnit = regexp.MustCompile(`([0-9]) (g\b|kg\b|mg\b|oz\b|ppt\b|%|percent\b|[A-Z]{3}\b)`)

// Bounds of a table's layout, in characters.
const (
	paperWidth    = 160 // of a table that goes to a file or another program
	longestWord   = 40  // of a column that is made narrower: a shorter word, such as a mark, is never broken
	betweenColumn = 2
)

// width is what a table may take: the terminal's, or paperWidth where there is none.
func (a *app) width() int {
	if file, ok := a.out.(*os.File); ok {
		if width, _, err := term.GetSize(int(file.Fd())); err == nil && width > 0 {
			return width
		}
	}
	return paperWidth
}

// fit returns the width of each column: what its widest cell takes, but where that is more than most in all, the widest
// column gives way first, again and again, and its text is wrapped. A column of figures is never wrapped.
func (t table) fit(most int) []int {
	widths, words := make([]int, len(t.columns)), make([]int, len(t.columns))
	total := 0
	for i, name := range t.columns {
		widths[i] = utf8.RuneCountInString(name)
		for _, row := range t.rows {
			for _, line := range strings.Split(row[i], "\n") {
				widths[i] = max(widths[i], utf8.RuneCountInString(line))
			}
			for _, word := range strings.Fields(figureAndUnit.ReplaceAllString(row[i], "${1}"+glue+"${2}")) {
				words[i] = max(words[i], min(utf8.RuneCountInString(word), longestWord))
			}
		}
		words[i] = max(words[i], utf8.RuneCountInString(name))
		total += widths[i] + betweenColumn
	}
	for ; total > most; total-- {
		widest := -1
		for i, name := range t.columns {
			if !figures[name] && widths[i] > words[i] && (widest < 0 || widths[i] > widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			break // nothing left to give way
		}
		widths[widest]--
	}
	return widths
}

// figures are the columns that are read down, digit under digit.
var figures = map[string]bool{"quantity": true, "rate": true, "amount": true, "money": true, "ounces": true,
	"net": true, "paid": true,
	"difference": true, "limit": true, "total": true, "entry": true}

func rowOf(cells []string) (row pretty.Row) {
	for _, cell := range cells {
		row = append(row, figureAndUnit.ReplaceAllString(printable(cell), "${1}"+glue+"${2}"))
	}
	return row
}

// printable keeps what a stranger wrote from moving the cursor or colouring the terminal.
func printable(s string) string { return station.Printable(s) }

var protoJSON = protojson.MarshalOptions{UseProtoNames: true, Multiline: true, Indent: "  "}

// showJSON prints one message as an object and any other number as a list.
func (a *app) showJSON(messages []proto.Message) error {
	if len(messages) != 1 {
		return a.showList(messages)
	}
	raw, err := protoJSON.Marshal(messages[0])
	if err != nil {
		return err
	}
	return a.showValue(json.RawMessage(raw))
}

// showList prints messages as a list, however many there are. The text is laid out by encoding/json, because protojson
// varies its blanks on purpose.
func (a *app) showList(messages []proto.Message) error {
	list := make([]json.RawMessage, len(messages))
	for i, m := range messages {
		raw, err := protoJSON.Marshal(m)
		if err != nil {
			return err
		}
		list[i] = raw
	}
	return a.showValue(list)
}

func (a *app) showValue(v any) error {
	laid, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.out, "%s\n", laid)
	return err
}

// detail prints a message field by field: labels on the left, lists of messages as small tables under theirs.
func (a *app) detail(m proto.Message) {
	fields := fieldsOf(m.ProtoReflect())
	width := 0
	for _, f := range fields {
		width = max(width, utf8.RuneCountInString(f.label))
	}
	for _, f := range fields {
		say(a.out, "%-*s  %s\n", width, f.label, strings.ReplaceAll(printable(f.value), "\n", "\n"+strings.Repeat(" ",
			width+2)))
	}
	for _, fd := range ordered(m.ProtoReflect()) {
		if !fd.IsList() || fd.Message() == nil {
			continue
		}
		list := m.ProtoReflect().Get(fd).List()
		if list.Len() == 0 {
			continue
		}
		say(a.out, "\n%s\n", label(fd))
		_ = a.showTable(tableOf(list))
	}
}

type field struct{ label, value string }

// fieldsOf flattens a message: an inner message's fields stand among its own.
func fieldsOf(m protoreflect.Message) (fields []field) {
	for _, fd := range ordered(m) {
		v := m.Get(fd)
		switch {
		case fd.IsList() && fd.Message() != nil:
			// shown as a table of its own, or inside an inner message in one line
		case fd.IsList():
			var items []string
			for i := range v.List().Len() {
				items = append(items, scalar(fd, v.List().Get(i)))
			}
			by := ", "
			if slices.ContainsFunc(items, func(s string) bool { return strings.Contains(s, by) }) {
				by = "\n" // sentences
			}
			fields = append(fields, field{label(fd), strings.Join(items, by)})
		case fd.IsMap():
		case fd.Message() != nil:
			fields = append(fields, fieldsOf(v.Message())...)
			for _, inner := range ordered(v.Message()) {
				if inner.IsList() && inner.Message() != nil {
					fields = append(fields, field{label(inner), oneLine(v.Message().Get(inner).List())})
				}
			}
		default:
			fields = append(fields, field{label(fd), scalar(fd, v)})
		}
	}
	return fields
}

// oneLine is a list of messages as `a b c; d e f`.
func oneLine(list protoreflect.List) string {
	var items []string
	for i := range list.Len() {
		var parts []string
		for _, f := range fieldsOf(list.Get(i).Message()) {
			parts = append(parts, f.value)
		}
		items = append(items, strings.Join(parts, " "))
	}
	return strings.Join(items, "; ")
}

// tableOf is a list of messages with a column for each field that any of them fills.
func tableOf(list protoreflect.List) table {
	var t table
	var rows []map[string]string
	seen := map[string]bool{}
	for i := range list.Len() {
		row := map[string]string{}
		m := list.Get(i).Message()
		for _, f := range fieldsOf(m) {
			row[f.label] = f.value
		}
		for _, fd := range ordered(m) {
			if fd.IsList() && fd.Message() != nil {
				row[label(fd)] = oneLine(m.Get(fd).List())
			}
		}
		rows = append(rows, row)
		for name := range row {
			seen[name] = true
		}
	}
	if list.Len() > 0 {
		descriptor := list.Get(0).Message().Descriptor()
		for i := range descriptor.Fields().Len() {
			if name := label(descriptor.Fields().Get(i)); seen[name] {
				t.columns = append(t.columns, name)
				delete(seen, name)
			}
		}
	}
	t.columns = append(t.columns, slices.Sorted(maps.Keys(seen))...)
	for _, row := range rows {
		var cells []string
		for _, name := range t.columns {
			cells = append(cells, row[name])
		}
		t.add(cells...)
	}
	return t
}

// ordered returns the fields that are filled, in the order of the proto file.
func ordered(m protoreflect.Message) (fields []protoreflect.FieldDescriptor) {
	all := m.Descriptor().Fields()
	for i := range all.Len() {
		if m.Has(all.Get(i)) {
			fields = append(fields, all.Get(i))
		}
	}
	return fields
}

func label(fd protoreflect.FieldDescriptor) string {
	return strings.ReplaceAll(string(fd.Name()), "_", " ")
}

func scalar(fd protoreflect.FieldDescriptor, v protoreflect.Value) string {
	switch fd.Kind() {
	case protoreflect.EnumKind:
		value := fd.Enum().Values().ByNumber(v.Enum())
		if value == nil {
			return fmt.Sprint(v.Enum())
		}
		return enumWord(fd.Enum(), value)
	case protoreflect.BytesKind:
		return hex.EncodeToString(v.Bytes())
	case protoreflect.BoolKind:
		if v.Bool() {
			return "yes"
		}
		return "no"
	}
	return v.String()
}

// enumWord is WEIGHING_STAGE_POUR as `pour`.
func enumWord(e protoreflect.EnumDescriptor, value protoreflect.EnumValueDescriptor) string {
	zero := string(e.Values().ByNumber(0).Name())
	return strings.ToLower(strings.TrimPrefix(string(value.Name()), strings.TrimSuffix(zero, "UNSPECIFIED")))
}

// word is a generated enum as people write it.
func word[E interface {
	Descriptor() protoreflect.EnumDescriptor
	Number() protoreflect.EnumNumber
}](e E) string {
	if value := e.Descriptor().Values().ByNumber(e.Number()); value != nil && e.Number() != 0 {
		return enumWord(e.Descriptor(), value)
	}
	return ""
}

// choices lists the words of an enum in the order of their numbers.
func choices(values map[string]int32, prefix string) (words []string) {
	for name, n := range values {
		if n != 0 {
			words = append(words, strings.ToLower(strings.TrimPrefix(name, prefix)))
		}
	}
	slices.SortFunc(words, func(x, y string) int {
		return int(values[prefix+strings.ToUpper(x)] - values[prefix+strings.ToUpper(y)])
	})
	return words
}
