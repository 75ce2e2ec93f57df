// Package refusal says why something was not recorded.
//
// A refusal is not a discrepancy. A light bar, a broken seal and a late hand-off are recorded and flagged, because they
// are the evidence; what is refused is malformed, unauthorised or impossible, and leaves no trace but this error.
//
// A refusal has a kind (what the caller should do next), a stable UPPER_SNAKE reason (what programs match on), a field
// or subject, and every value that its message mentions. Its cause is for the log only and never crosses the wire.
package refusal

import (
	"errors"
	"fmt"
	"maps"
	"strings"
	"unicode/utf8"
)

// What the sender wrote comes back in a refusal, so a refusal is bounded however much that was, and is always valid
// UTF-8, which the wire demands.
const (
	maxQuote = 80   // bytes of one value as Quote shows it
	maxValue = 200  // bytes of one named value
	maxText  = 2000 // bytes of the sentence
)

// Kind answers one question: what should the caller do next?
type Kind int

const (
	// Internal is our bug; nothing of it is shown.
	Internal Kind = iota
	// Invalid is malformed or out of range, or a signature that does not verify: mend the request.
	Invalid
	// Precondition is a request that the present state does not allow: bring about the state, then ask again.
	Precondition
	// Aborted is a figure that moved since the caller read it: read again and redo.
	Aborted
	// Exists is an identifier already taken by something else: choose another.
	Exists
	// NotFound is something unknown, or unknown to this caller.
	NotFound
	// OutOfRange is a proof or page beyond the tree: ask within its size.
	OutOfRange
	// Unauthenticated is an unknown or unproven key: present a registered one.
	Unauthenticated
	// Forbidden is a role that does not allow this: have somebody else do it.
	Forbidden
	// Exhausted is a bound on size, rate or number: send less or later.
	Exhausted
	// Unavailable is an outcome unknown, a shutdown or a full disk: send the same again later.
	Unavailable
	// DataLoss is stored bytes that do not match their hash: stop and call for help.
	DataLoss
)

// Error is a refusal. Its text is a full sentence that says what was found, what is allowed and what to do.
type Error struct {
	Kind    Kind
	Reason  string            // stable, UPPER_SNAKE
	Field   string            // path of the field at fault, such as `bars[2].readings[0]`; empty if none
	Subject string            // what it is about, such as a bar or an entry; empty if none
	Text    string            // the sentence
	Values  map[string]string // every value that the sentence mentions, by name
	Cause   error             // for the log only
}

// Error returns the field, if any, and the sentence.
func (e *Error) Error() string {
	if e.Field != "" {
		return e.Field + ": " + e.Text
	}
	return e.Text
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Cause }

// New makes a refusal whose sentence is format with args. Put what the sender wrote through Quote, so that it does not
// push the rest of the sentence out.
func New(kind Kind, reason, field, format string, args ...any) *Error {
	return &Error{Kind: kind, Reason: reason, Field: field, Text: bound(fmt.Sprintf(format, args...), maxText)}
}

// Quote shows what the sender wrote inside a sentence: between quotation marks, with anything unprintable escaped, and
// cut after 80 bytes.
func Quote(s string) string { return fmt.Sprintf("%q", cut(s, maxQuote)) }

// bound returns s as valid UTF-8 of at most this many bytes.
func bound(s string, most int) string { return cut(strings.ToValidUTF8(s, "\uFFFD"), most) }

// cut returns s, or its beginning with … at the end, in at most this many bytes; it splits no character.
func cut(s string, most int) string {
	if len(s) <= most {
		return s
	}
	end := most - len("…")
	for end > 0 && !utf8.RuneStart(s[end]) {
		end--
	}
	return s[:end] + "…"
}

// Invalidf is New for the commonest kind.
func Invalidf(reason, field, format string, args ...any) *Error {
	return New(Invalid, reason, field, format, args...)
}

// About sets the subject and returns e.
func (e *Error) About(subject string) *Error {
	e.Subject = subject
	return e
}

// With adds a named value, cut after 200 bytes, and returns e.
func (e *Error) With(name, value string) *Error {
	if e.Values == nil {
		e.Values = map[string]string{}
	}
	e.Values[name] = bound(value, maxValue)
	return e
}

// Because sets the cause and returns e.
func (e *Error) Because(cause error) *Error {
	e.Cause = cause
	return e
}

// As returns the refusal in err's chain, or nil.
func As(err error) *Error {
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	return nil
}

// Is reports whether err is a refusal with this reason.
func Is(err error, reason string) bool {
	e := As(err)
	return e != nil && e.Reason == reason
}

// In returns err with field put before its own field, so that a caller can say where in its own input a refused value
// stood: In(err, "bars[2]") turns "mark: …" into "bars[2].mark: …". An error that is no refusal is returned as it is.
func In(err error, field string) error {
	e := As(err)
	if e == nil || field == "" {
		return err
	}
	moved := *e
	moved.Values = maps.Clone(e.Values)
	switch {
	case e.Field == "":
		moved.Field = field
	case e.Field[0] == '[':
		moved.Field = field + e.Field
	default:
		moved.Field = field + "." + e.Field
	}
	return &moved
}
