package settlement

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"barward/internal/refusal"
)

// readJSON decodes one JSON value strictly: no field that we do not know, nothing after the value, no more than most bytes.
func readJSON(b []byte, most int, what string, into any) error {
	if len(b) > most {
		return refusal.New(refusal.Exhausted, "DOCUMENT_TOO_LONG", "",
			"%s of %d bytes is longer than the %d allowed", what, len(b), most)
	}
	if !utf8.Valid(b) {
		return refusal.Invalidf("TEXT_MALFORMED", "", "%s is not UTF-8 text; save it as UTF-8", what)
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		if refused := refusal.As(err); refused != nil {
			return refused
		}
		return refusal.Invalidf("JSON_MALFORMED", "",
			"%s cannot be read as JSON: %s; mend it and send it again", what, clip(err.Error())).Because(err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return refusal.Invalidf("JSON_MALFORMED", "", "%s has more text after its end; give one JSON value only", what)
	}
	return nil
}

// name refuses an id or a name that is empty, overlong or not plain text.
func name(s, field string) error {
	switch {
	case strings.TrimSpace(s) == "":
		return refusal.Invalidf("NAME_MISSING", field, "a name is missing here; write one")
	case len(s) > maxName:
		return refusal.Invalidf("NAME_TOO_LONG", field, "a name of %d bytes is longer than the %d allowed", len(s), maxName)
	case !plain(s):
		return refusal.Invalidf("NAME_MALFORMED", field,
			"%q holds characters that do not print, or is not UTF-8; write plain text", clip(s))
	}
	return nil
}

// plain reports whether a text is UTF-8 without control characters.
func plain(s string) bool {
	return utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f })
}

func checkRefs(refs []Ref, field string) error {
	if len(refs) > maxRefs {
		return refusal.New(refusal.Exhausted, "REFS_TOO_MANY", field,
			"%d references behind one figure are more than the %d allowed", len(refs), maxRefs)
	}
	for i, r := range refs {
		if string(r) == "" || len(r) > maxName || !plain(string(r)) {
			return refusal.Invalidf("REF_MALFORMED", fmt.Sprintf("%s[%d]", field, i),
				"a reference is empty, overlong or not plain text; name the entry that the figure was taken from")
		}
	}
	return nil
}

// clip shortens what a stranger wrote before it is quoted back.
func clip(s string) string {
	if len(s) <= 80 {
		return s
	}
	return strings.ToValidUTF8(s[:80], "") + "…"
}

func unknownKind(k Kind) error {
	return refusal.Invalidf("KIND_UNKNOWN", "kind",
		"%q is not a kind of statement; use provisional, final or corrected",
		clip(string(k))).With("value", clip(string(k)))
}
