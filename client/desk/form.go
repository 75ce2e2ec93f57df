package desk

import (
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net/url"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"

	"barward/client/station"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Form is what a person typed and what was wrong with it. Inputs bear the names of the event's fields, so a refusal of
// the service finds its place by itself; inputs of rows repeat their name once a row.
type Form struct {
	values url.Values
	faults map[string]string // by the name of the input, or `name[i]` in row i
	Fault  string            // of the whole, or of something that has no input
	Once   string            // names this form, so that sending it twice signs once
}

// form reads what was sent; or, on GET, what was typed before the desk was locked or the service refused it (?again=).
func (v *visit) form() *Form {
	f := &Form{values: url.Values{}, faults: map[string]string{}}
	if v.posted() {
		f.values = v.r.PostForm
		f.Once = f.Get("once")
	} else if again := v.r.URL.Query().Get("again"); again != "" {
		if kept, ok := v.d.form(again); ok && kept.Path == v.r.URL.Path {
			f.values = kept.Values
			if kept.Fault != "" {
				f.Fault = kept.Fault
			}
		}
	}
	if len(f.Once) != onceLength {
		f.Once = uuid.NewString()
	}
	return f
}

const onceLength = 36

// Get returns a value without blanks around it.
func (f *Form) Get(name string) string { return strings.TrimSpace(f.values.Get(name)) }

// Set puts a value, such as one that is usual, where nothing was typed.
func (f *Form) Set(name, value string) {
	if f.Get(name) == "" {
		f.values.Set(name, value)
	}
}

// All returns the values of a name, one for each row, empty ones too.
func (f *Form) All(name string) []string {
	all := make([]string, len(f.values[name]))
	for i, value := range f.values[name] {
		all[i] = strings.TrimSpace(value)
	}
	return all
}

// Filled returns the values of a name that are not empty.
func (f *Form) Filled(name string) (all []string) {
	for _, value := range f.All(name) {
		if value != "" {
			all = append(all, value)
		}
	}
	return all
}

// Has reports whether a box of that name and value is ticked.
func (f *Form) Has(name, value string) bool {
	for _, v := range f.values[name] {
		if v == value {
			return true
		}
	}
	return false
}

// Wrong returns what is wrong with an input, empty if nothing is.
func (f *Form) Wrong(name string) string { return f.faults[name] }

// Blame says what is wrong with an input. The first word stands.
func (f *Form) Blame(name, text string) {
	if f.faults[name] == "" {
		f.faults[name] = text
	}
}

// Good reports whether nothing is wrong.
func (f *Form) Good() bool { return f.Fault == "" && len(f.faults) == 0 }

// need blames an empty input.
func (f *Form) need(name, text string) string {
	value := f.Get(name)
	if value == "" {
		f.Blame(name, text)
	}
	return value
}

// refuse puts a refusal beside the input that it is about, and reports whether err is one. What is no refusal, or one
// that no typing can mend, is for the caller to return.
func (f *Form) refuse(err error) bool {
	var alarm *station.Untrusted
	r := station.AsRefusal(err)
	if r == nil || errors.As(err, &alarm) {
		return false
	}
	text := capital(strings.TrimPrefix(r.Text, r.Field+": "))
	field := r.Field
	for field != "" {
		if _, typed := f.values[field]; typed {
			f.Blame(field, text)
			return true
		}
		if at := strings.IndexByte(field, '['); at > 0 { // name[2].readings[0]: a row of an input of that name
			end := strings.IndexByte(field, ']')
			if _, typed := f.values[field[:at]]; typed && end > at {
				f.Blame(field[:end+1], text)
				return true
			}
		}
		_, rest, more := strings.Cut(field, ".") // pour_recorded.charge: the kind of event comes first
		if !more {
			break
		}
		field = rest
	}
	f.Fault = text
	return true
}

// capital begins a sentence with a capital letter.
func capital(text string) string {
	r, n := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(r)) + text[n:]
}

// mass completes a mass that was typed as a number with the unit of the form, and refuses what is none.
func mass(text, unit string) (quantity.Mass, error) {
	text = strings.TrimSpace(text)
	if strings.Contains(text, ",") {
		return quantity.Mass{}, refusal.Invalidf("MASS_MALFORMED", "", "%s has a comma; write a point, as 12441.3.",
			refusal.Quote(text))
	}
	if text != "" && strings.IndexFunc(text, unicode.IsLetter) < 0 && unit != "" {
		text += " " + unit
	} else if at := strings.IndexFunc(text, unicode.IsLetter); at > 0 && text[at-1] != ' ' {
		text = text[:at] + " " + text[at:]
	}
	m, err := quantity.ParseMass(text)
	return m, err
}

// keptForm is a form on the disk: what was typed, where, and what was signed of it.
type keptForm struct {
	Path   string     `json:"path"` // of its page
	Values url.Values `json:"values"`
	Events []string   `json:"events,omitempty"` // ids of the events that were signed
	Fault  string     `json:"fault,omitempty"`  // why it is to be looked at again
	At     time.Time  `json:"at"`
}

// secret are inputs that never reach the disk.
func secret(name string) bool { return strings.Contains(name, "passphrase") || name == "token" }

func formFile(once string) string { return "forms/" + once + ".json" }

// form returns a form that was kept.
func (d *Desk) form(once string) (keptForm, bool) {
	var kept keptForm
	if _, err := uuid.Parse(once); err != nil || len(once) != onceLength {
		return kept, false
	}
	found, err := d.kept.ReadJSON(formFile(once), &kept)
	return kept, found && err == nil
}

// keepForm keeps a form, on the disk before it returns.
func (d *Desk) keepForm(once string, kept keptForm) error {
	values := url.Values{}
	for name, all := range kept.Values {
		if !secret(name) {
			values[name] = all
		}
	}
	kept.Values, kept.At = values, d.now()
	return d.kept.WriteJSON(formFile(once), kept)
}

// keepTyped keeps what was sent to a desk that had locked itself, and returns where to go on with it.
func (v *visit) keepTyped() string {
	once := v.r.PostForm.Get("once")
	if _, err := uuid.Parse(once); err != nil || len(once) != onceLength {
		return ""
	}
	if kept, found := v.d.form(once); found && len(kept.Events) > 0 {
		return ""
	}
	err := v.d.keepForm(once, keptForm{Path: v.r.URL.Path, Values: v.r.PostForm,
		Fault: "The desk had locked itself before this was signed. Look it over and sign it now."})
	if err != nil {
		v.d.log.Warn("form not kept", "error", err)
		return ""
	}
	return v.r.URL.Path + "?again=" + once
}

// Input is one labelled input of a form, as the template `field` shows it.
type Input struct {
	Name, Label, Hint, Value, Wrong string
	Type, Mode, Unit, List, Key     string
	Required, Focus, Area, Plain    bool     // Plain: neither required nor "if known"
	Several                         bool     // takes several numbers, apart by blanks; Enter adds a blank
	Options                         []Option // of a choice
	ID                              string
}

// Option is one choice.
type Option struct {
	Value, Text string
	Chosen      bool
}

// input makes an Input of a form for a template: {{template "field" (input .Form "pour_id" "Number of the pour"
// "hint=…")}}. Options are words: required, focus, area, several, plain, or name=value: hint, type, mode, unit, list (id of a
// datalist), key.
func input(f *Form, name, label string, options ...string) (Input, error) {
	in := Input{Name: name, Label: label, Value: f.values.Get(name), Wrong: f.Wrong(name), Type: "text", ID: "f-" + name}
	for _, option := range options {
		what, value, _ := strings.Cut(option, "=")
		switch what {
		case "required":
			in.Required = true
		case "focus":
			in.Focus = true
		case "several":
			in.Several = true
		case "plain":
			in.Plain = true
		case "area":
			in.Area = true
		case "hint":
			in.Hint = value
		case "type":
			in.Type = value
		case "mode":
			in.Mode = value
		case "unit":
			in.Unit = value
		case "list":
			in.List = value
		case "key":
			in.Key = value
		default:
			return in, fmt.Errorf("input %s: no option %q", name, option)
		}
	}
	in.Focus = in.Focus && f.Good() // else the first thing that is wrong gets it
	if in.Type == "password" {
		in.Value = "" // a passphrase is typed again
	}
	return in, nil
}

// choice makes an Input of several options: {{template "choice" (choice .Form "balance" "Balance" .Balances
// "required")}}.
func choice(f *Form, name, label string, all []Option, options ...string) (Input, error) {
	in, err := input(f, name, label, options...)
	in.Options = append([]Option(nil), all...)
	for i := range in.Options {
		in.Options[i].Chosen = in.Options[i].Value == f.Get(name)
	}
	return in, err
}

// helpers are the functions of templates.
var helpers = template.FuncMap{
	"input": input, "choice": choice, "count": count, "capital": capital,
	"time":     func(t time.Time) string { return t.Local().Format("15:04") },
	"minutes":  func(d time.Duration) string { return count(int(d.Round(time.Minute)/time.Minute), "minute") },
	"day":      dayWords,
	"date":     dateWords,
	"grouped":  grouped,
	"per":      perWords,
	"instant":  instantWords,
	"words":    func(s string) string { return strings.ReplaceAll(s, "_", " ") },
	"short":    shortName,
	"lower":    strings.ToLower,
	"flagged":  func(line string) bool { return strings.HasPrefix(line, "Flagged:") },
	"add":      func(a, b int) int { return a + b },
	"to":       pathTo,
	"list":     func(words ...string) []string { return words },
	"stage":    func(w *pb.WeightRecord) string { return stateWords(w.GetStage().String(), "WEIGHING_STAGE_") },
	"barstate": func(b *pb.Bar) string { return stateWords(b.GetState().String(), "BAR_STATE_") },
	"pathOf":   func(name string) string { return url.PathEscape(name) },
	"dict": func(pairs ...any) (map[string]any, error) {
		m := map[string]any{}
		for i := 0; i+1 < len(pairs); i += 2 {
			name, ok := pairs[i].(string)
			if !ok {
				return nil, fmt.Errorf("dict: %v is no name", pairs[i])
			}
			m[name] = pairs[i+1]
		}
		return m, nil
	},
}

// count writes a number of things: "1 bar", "3 bars".
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	if strings.HasSuffix(thing, "x") {
		return fmt.Sprintf("%d %ses", n, thing)
	}
	if stem, y := strings.CutSuffix(thing, "y"); y && stem != "" && !strings.ContainsRune("aeiou",
		rune(stem[len(stem)-1])) {
		return fmt.Sprintf("%d %sies", n, stem)
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// dayWords writes an instant with its day, by this workstation's clock.
func dayWords(t time.Time) string { return t.Local().Format("2 Jan 2006, 15:04") }

// instantWords writes an RFC 3339 instant as its author's clock showed it.
func instantWords(text string) string {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return text
	}
	return t.Format("2 Jan 2006, 15:04 -07:00")
}

// shortName leaves our own party out of a name.
func shortName(party, name string) string { return strings.TrimPrefix(name, party+"/") }

// asJSON writes a value for a file or a live answer; it is made of our own plain types, which always have a form.
func asJSON(value any) string {
	text, err := json.Marshal(value)
	if err != nil {
		return ""
	}
	return string(text)
}
