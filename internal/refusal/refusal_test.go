package refusal_test

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"unicode/utf8"

	"barward/internal/refusal"
)

func TestErrorReadsAsField(t *testing.T) {
	for _, tt := range []struct {
		err  *refusal.Error
		want string
	}{
		{refusal.Invalidf("UNIT_UNKNOWN", "unit", "%s is not a unit", `"lb"`), `unit: "lb" is not a unit`},
		{refusal.New(refusal.NotFound, "BAR_UNKNOWN", "", "there is no bar %d", 7), "there is no bar 7"},
	} {
		if got := tt.err.Error(); got != tt.want {
			t.Errorf("got %q, want %q", got, tt.want)
		}
	}
}

func TestKinds(t *testing.T) {
	if e := refusal.Invalidf("A_REASON", "", "text"); e.Kind != refusal.Invalid {
		t.Errorf("Invalidf makes kind %d", e.Kind)
	}
	var forgotten refusal.Error
	if forgotten.Kind != refusal.Internal {
		t.Errorf("a kind that nobody set is %d; it must be our bug and not the caller's", forgotten.Kind)
	}
}

func TestBuilders(t *testing.T) {
	e := refusal.New(refusal.Exists, "MARK_IN_USE", "mark", "the mark is in use").
		About("ottermere/OT-0412").With("mark", "OT-0412").With("first", "17").Because(io.ErrUnexpectedEOF)
	if e.Kind != refusal.Exists || e.Reason != "MARK_IN_USE" || e.Field != "mark" || e.Subject != "ottermere/OT-0412" ||
		len(e.Values) != 2 || e.Values["mark"] != "OT-0412" || e.Values["first"] != "17" {
		t.Errorf("%+v", e)
	}
	if !errors.Is(e, io.ErrUnexpectedEOF) {
		t.Error("the cause is lost to the log")
	}
	if strings.Contains(e.Error(), io.ErrUnexpectedEOF.Error()) {
		t.Errorf("the cause shows in %q", e)
	}
}

func TestAsAndIsLookThroughWrappers(t *testing.T) {
	e := refusal.Invalidf("UNIT_UNKNOWN", "unit", "text")
	wrapped := fmt.Errorf("row 7: %w", e)
	if refusal.As(wrapped) != e || refusal.As(e) != e || refusal.As(nil) != nil || refusal.As(io.EOF) != nil {
		t.Error("As does not find the refusal, or finds one that is not there")
	}
	if !refusal.Is(wrapped, "UNIT_UNKNOWN") || refusal.Is(wrapped, "UNIT") || refusal.Is(nil, "") || refusal.Is(io.EOF, "") {
		t.Error("Is does not tell reasons apart")
	}
}

func TestInPutsAFieldBefore(t *testing.T) {
	for _, tt := range []struct{ field, in, want string }{
		{"", "bars[2]", "bars[2]"}, {"mark", "bars[2]", "bars[2].mark"}, {"[0].value", "readings", "readings[0].value"},
		{"mark", "", "mark"},
	} {
		original := refusal.Invalidf("A_REASON", tt.field, "text").With("name", "value").About("subject")
		moved := refusal.As(refusal.In(original, tt.in))
		if moved.Field != tt.want || moved.Reason != "A_REASON" || moved.Subject != "subject" || moved.Values["name"] != "value" {
			t.Errorf("%q in %q: %+v, want the field %q", tt.field, tt.in, moved, tt.want)
		}
		if original.Field != tt.field {
			t.Errorf("In changed the refusal it was given: %q", original.Field)
		}
		moved.With("more", "of it")
		if _, leaked := original.Values["more"]; leaked && tt.in != "" {
			t.Errorf("a value added to the moved refusal shows in the one it came from")
		}
	}
	if refusal.In(io.EOF, "bars") != io.EOF || refusal.In(nil, "bars") != nil {
		t.Error("In changes what is no refusal")
	}
}

// What a stranger wrote comes back bounded, and in characters that the wire accepts.
func TestRefusalsAreBounded(t *testing.T) {
	for _, in := range []string{
		"", "OT-0412", "\xff\xfe", strings.Repeat("x", 1_000_000), strings.Repeat("\xff", 1_000_000), strings.Repeat("é", 500),
		strings.Repeat("x", 199) + "é", strings.Repeat("a\xff", 1000), strings.Repeat("\x00", 1000),
	} {
		e := refusal.Invalidf("A_REASON", "", "%s is not a mark; %s", in, "read it again").With("mark", in)
		if !utf8.ValidString(e.Text) || len(e.Text) > 2000 {
			t.Errorf("%.20q: a sentence of %d bytes, valid %t", in, len(e.Text), utf8.ValidString(e.Text))
		}
		if v := e.Values["mark"]; !utf8.ValidString(v) || len(v) > 200 {
			t.Errorf("%.20q: a value of %d bytes, valid %t", in, len(v), utf8.ValidString(v))
		}
		if q := refusal.Quote(in); !utf8.ValidString(q) || len(q) > 4*80+2 {
			t.Errorf("%.20q: quoted in %d bytes", in, len(q))
		}
	}
	for in, want := range map[string]string{
		"lb": `"lb"`, "a\"b\n": `"a\"b\n"`, "\xff": `"\xff"`,
		strings.Repeat("x", 80): `"` + strings.Repeat("x", 80) + `"`,
		strings.Repeat("x", 81): `"` + strings.Repeat("x", 77) + `…"`,
		strings.Repeat("é", 41): `"` + strings.Repeat("é", 38) + `…"`, // 77 bytes would split the 39th
	} {
		if got := refusal.Quote(in); got != want {
			t.Errorf("Quote(%q) = %s, want %s", in, got, want)
		}
	}
	short := refusal.Invalidf("A_REASON", "", "text").With("mark", "OT-0412")
	if short.Text != "text" || short.Values["mark"] != "OT-0412" {
		t.Errorf("what is short is changed: %+v", short)
	}
}
