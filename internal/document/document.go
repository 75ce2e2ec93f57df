// Package document prints papers from the record: sheets, lists, labels, receipts, certificates and statements as PDF,
// and the route of a bar or box as a standard chain-of-custody file.
//
// A paper is a picture of the record and never its source: it prints what the record says, figure by figure as the
// record has it, and adds nothing up. Every page bears its number, the number of pages and the ledger reference; a QR
// code holds what is needed to prove the entry again. Where the paper and the ledger differ, the ledger's signed
// entries prevail, and the paper says so.
//
// Invariants:
//  1. Equal arguments give equal bytes: the clock is an argument, and nothing is taken from the machine.
//  2. No text is cut and none lies on another: long text is wrapped, a table goes on under a repeated head, and what
//     would pass the bounds in limits.go is refused.
//  3. What the record does not hold is printed as "not recorded", never as zero or a blank.
//  4. A character that the fonts do not have, and every invisible one, is printed as its number, such as [U+202E], so
//     that no text can hide a part of itself or turn its direction.
//  5. A paper that is not final, not in the ledger, superseded or a copy says so in its head on every page.
//
// Sizes are in millimetres. Errors are *refusal.Error: a value too long (DOCUMENT_TEXT_TOO_LONG), too many rows or
// pages (DOCUMENT_TOO_LONG), a proof that lacks a part (DOCUMENT_PROOF_INCOMPLETE), a label that does not hold its
// text (DOCUMENT_LABEL_TOO_FULL), a number that no barcode can hold (DOCUMENT_BARCODE), and an argument that is
// missing (DOCUMENT_INCOMPLETE).
//
// Sources: ISO 216 (A4) and ANSI/ASME Y14.1 (Letter) for the sizes; ISO/IEC 15417 (Code 128), ISO/IEC 18004 (QR) and
// the GS1 General Specifications (SSCC, GS1-128) for the codes, by way of the barcode library and of sscc.go.
package document

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"barward/internal/refusal"
)

// Size is the size of the paper.
type Size int

const (
	// A4 is 210 mm by 297 mm (ISO 216).
	A4 Size = iota
	// Letter is 215.9 mm by 279.4 mm (ANSI/ASME Y14.1 size A).
	Letter
)

// Dimensions returns width and height in millimetres, and whether the size is known.
func (s Size) dimensions() (width, height float64, known bool) {
	switch s {
	case A4:
		return 210, 297, true
	case Letter:
		return 215.9, 279.4, true
	}
	return 0, 0, false
}

// Paper is what all papers have in common.
type Paper struct {
	Size        Size
	Copy        bool              // not the first print of this paper
	Provisional bool              // on figures that may still change; a paper sees for itself where its record says so
	Proof       Proof             // where the record stands in the ledger; zero for what is not recorded yet
	Printed     time.Time         // when, in the zone that the reader expects; required
	PrintedBy   string            // who printed, as `party/person`; may be empty
	Names       map[string]string // names as people write them, by id: `party`, `party/site` or `party/person`
	Notice      string            // a sentence under the title, such as that the data is invented; may be empty
}

// Proof says where a paper's record stands in the ledger. It is zero for what waits to be sent, and complete
// otherwise.
type Proof struct {
	Origin   string    // name of the ledger: the first line of its checkpoints
	Entries  []uint64  // entries the paper rests on, from 0; the first is the one that the QR code leads to
	Leaf     []byte    // RFC 6962 leaf hash of the first of them, 32 bytes
	Size     uint64    // number of entries under the checkpoint
	Root     []byte    // root hash of the checkpoint, 32 bytes
	At       time.Time // when the checkpoint was fetched
	Verified bool      // whether who prints has proved the first entry under that checkpoint
}

// Recorded reports whether the proof names a ledger at all.
func (p Proof) Recorded() bool { return p.Origin != "" }

// VerificationText is what the QR code holds: the ledger, the entry, its leaf hash, and the words of what to run. It
// has no content, no value and no address, because a parcel shows it to everybody (advice of common practice, no
// source).
func (p Proof) VerificationText() string {
	if !p.Recorded() || len(p.Entries) == 0 {
		return ""
	}
	entry := strconv.FormatUint(p.Entries[0], 10)
	return "barward:verify\norigin " + p.Origin + "\nentry " + entry + "\nleaf " + hex.EncodeToString(p.Leaf) +
		"\nrun: barward ledger verify-inclusion " + entry
}

func (p Proof) check() error {
	if !p.Recorded() {
		if len(p.Entries) > 0 || len(p.Leaf) > 0 || len(p.Root) > 0 || p.Size > 0 || p.Verified {
			return incomplete("proof.origin", "A proof names its ledger. Give the origin of the checkpoint, or no proof at all.")
		}
		return nil
	}
	if len(p.Entries) == 0 {
		return incomplete("proof.entries", "A proof names at least one entry.")
	}
	if len(p.Entries) > maxEntries {
		return tooLong("proof.entries", "A paper names at most %d entries; this has %d.", maxEntries, len(p.Entries))
	}
	if len(p.Leaf) != 32 || len(p.Root) != 32 {
		return incomplete("proof", "Leaf hash and root hash have 32 bytes; these have %d and %d.", len(p.Leaf), len(p.Root))
	}
	if most := slices.Max(p.Entries); most >= p.Size {
		return incomplete("proof.size", "Entry %d is not under a checkpoint of %d entries. Fetch a newer checkpoint.", most,
			p.Size)
	}
	if strings.ContainsFunc(p.Origin, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return incomplete("proof.origin", "The origin %s is no name of a ledger: it holds what cannot be printed.",
			refusal.Quote(p.Origin))
	}
	return within("proof.origin", p.Origin, maxOrigin)
}

func incomplete(field, format string, args ...any) error {
	reason := "DOCUMENT_INCOMPLETE"
	if strings.HasPrefix(field, "proof") {
		reason = "DOCUMENT_PROOF_INCOMPLETE"
	}
	return refusal.Invalidf(reason, field, format, args...)
}

func tooLong(field, format string, args ...any) error {
	return refusal.New(refusal.Exhausted, "DOCUMENT_TOO_LONG", field, format, args...)
}

// within refuses a text of more than most characters.
func within(field, text string, most int) error {
	if len(text) > most { // a text has at least as many bytes as characters
		if n := utf8.RuneCountInString(text); n > most {
			return refusal.Invalidf("DOCUMENT_TEXT_TOO_LONG", field,
				"A text of %d characters does not go on this paper, which takes %d. Shorten it; nothing is cut in silence.",
				n, most)
		}
	}
	return nil
}

func (p Paper) check() error {
	if _, _, known := p.Size.dimensions(); !known {
		return incomplete("size", "There is no paper size %d; choose A4 or Letter.", int(p.Size))
	}
	if p.Printed.IsZero() {
		return incomplete("printed", "A paper says when it was printed. Give the time.")
	}
	if len(p.Names) > maxNames {
		return tooLong("names", "A paper takes at most %d names; this has %d.", maxNames, len(p.Names))
	}
	return p.Proof.check()
}

// name is an id with the name that people write, where one was given: `Ottermere Mine (ottermere)`.
func (p Paper) name(id string) string {
	if written := p.Names[id]; written != "" && written != id {
		return written + " (" + id + ")"
	}
	return id
}

// names joins ids with their names.
func (p Paper) names(ids []string) string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = p.name(id)
	}
	return strings.Join(out, ", ")
}

const notRecorded = "not recorded"

// or is a value of the record, or the words for its absence.
func or(value string) string {
	if strings.TrimSpace(value) == "" {
		return notRecorded
	}
	return value
}

// number is an entry or a count of the record; 0 stands for its absence.
func number(n uint64) string {
	if n == 0 {
		return notRecorded
	}
	return strconv.FormatUint(n, 10)
}

func numbers(list []uint64) string {
	if len(list) == 0 {
		return notRecorded
	}
	out := make([]string, len(list))
	for i, n := range list {
		out[i] = strconv.FormatUint(n, 10)
	}
	return strings.Join(out, ", ")
}

// moment prints an instant with its zone offset, as the record writes instants.
func moment(t time.Time) string {
	if t.IsZero() {
		return notRecorded
	}
	return t.Format("2006-01-02 15:04:05 -07:00")
}

// instant prints an instant of the record, RFC 3339, with a blank for the T; what it cannot read it prints as it is.
func instant(text string) string {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return or(text)
	}
	return moment(t)
}

// word is the last part of an enum's name, as people write it: WEIGHING_STAGE_POUR with its prefix gives `pour`.
func word(value fmt.Stringer, prefix string) string {
	rest := strings.TrimPrefix(value.String(), prefix)
	if rest == "UNSPECIFIED" {
		return notRecorded
	}
	return strings.ToLower(strings.ReplaceAll(rest, "_", " "))
}

// short is the number or mark as it stands on the thing itself.
func short(name string) string {
	if _, number, ok := strings.Cut(name, "/"); ok {
		return number
	}
	return name
}
