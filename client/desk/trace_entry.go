package desk

import (
	"context"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// shownEntry is an entry of the log as its author signed it, with what this desk has proven of it.
type shownEntry struct {
	Number   uint64
	Kind     string
	Author   string
	At       string
	Recorded string
	Place    string
	Doubt    string
	Facts    []figureLine
	EventID  string
	Leaf     string // its hash
	Closed   bool   // not open to this party
	Proven   bool   // in the tree of a checkpoint that this desk has verified
	Before   bool   // proven before, and remembered since: the link is down
	Why      string // why it is not proven
}

// shownEntries fetches entries and proves each: that its author signed it, that it is shown as it was signed, and
// that it is in the tree of the last checkpoint. What was proven before is remembered for times without a link.
func (v *visit) shownEntries(numbers []uint64) ([]shownEntry, error) {
	shown := make([]shownEntry, len(numbers))
	wrong := make([]error, len(numbers))
	places := make(chan int)
	var all sync.WaitGroup
	for range min(askers, len(numbers)) {
		all.Go(func() {
			for i := range places {
				shown[i], wrong[i] = v.shownEntry(numbers[i])
			}
		})
	}
	for i := range numbers {
		places <- i
	}
	close(places)
	all.Wait()
	for _, err := range wrong {
		if err != nil {
			return nil, err
		}
	}
	return shown, nil
}

func (v *visit) shownEntry(number uint64) (shownEntry, error) {
	s := shownEntry{Number: number}
	e := &pb.Entry{}
	seen, err := v.recall("entry/"+strconv.FormatUint(number, 10), e, func(ctx context.Context) (proto.Message, error) {
		return v.d.station.Entry(ctx, number)
	})
	switch r := station.AsRefusal(err); {
	case err == nil:
	case untrusted(err) || r == nil:
		return s, err
	case r.Kind == refusal.NotFound || r.Kind == refusal.Forbidden:
		s.Closed, s.Why = true, "some are not open to your party"
		return s, nil
	default:
		s.Why = "the link is down, and this desk has not proven them before"
		return s, nil
	}
	if !seen.Live { // the file may have been altered: what the author signed must still fit
		if err := v.d.station.CheckEntry(e); err != nil {
			return s, err
		}
	}
	s.Proven, s.Before = true, !seen.Live
	event := &pb.Event{}
	leaf, err := proof.ParseLeaf(e.GetLeaf())
	if err != nil {
		return s, err
	}
	if err := proto.Unmarshal(leaf.Signed.Event, event); err != nil { // as signed, not as the service reads it
		return s, err
	}
	hash := proof.LeafHash(e.GetLeaf())
	s.Kind, s.Author, s.Place = station.KindWords(event), e.GetAuthor(), event.GetPlace()
	s.At, s.Recorded = instantWords(event.GetOccurredAt()), instantWords(e.GetRecordedAt())
	s.Doubt, s.EventID, s.Leaf = e.GetDoubt(), event.GetEventId(), hex.EncodeToString(hash[:])
	if body := bodyOf(event); body != nil {
		s.Facts = factsOf(body.ProtoReflect(), "")
	}
	return s, nil
}

// provenOf counts the entries that are proven, and names the checkpoint that they are proven under.
func (v *visit) provenOf(shown []shownEntry) (proven int, size uint64) {
	for _, e := range shown {
		if e.Proven {
			proven++
		}
	}
	if seen, ok := v.d.station.Seen(); ok {
		size = seen.Size
	}
	return proven, size
}

// factsOf writes what an event says, field by field, in the order of the protos.
func factsOf(m protoreflect.Message, under string) (facts []figureLine) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		field := fields.Get(i)
		if !m.Has(field) || len(facts) > maxFacts {
			continue
		}
		name := strings.TrimSpace(under + " " + strings.ReplaceAll(string(field.Name()), "_", " "))
		value := m.Get(field)
		switch {
		case field.IsList() && field.Message() != nil:
			for n := range value.List().Len() {
				facts = append(facts, figureLine{fmt.Sprintf("%s %d", name, n+1), inOneLine(value.List().Get(n).Message())})
				if len(facts) > maxFacts {
					break
				}
			}
		case field.IsList():
			var items []string
			for n := range value.List().Len() {
				items = append(items, factText(field, value.List().Get(n)))
			}
			facts = append(facts, figureLine{name, strings.Join(items, ", ")})
		case field.Message() != nil:
			facts = append(facts, factsOf(value.Message(), name)...)
		default:
			facts = append(facts, figureLine{name, factText(field, value)})
		}
	}
	return facts
}

func inOneLine(m protoreflect.Message) string {
	var parts []string
	for _, f := range factsOf(m, "") {
		parts = append(parts, f.Name+" "+f.Value)
	}
	return strings.Join(parts, "; ")
}

func factText(field protoreflect.FieldDescriptor, v protoreflect.Value) string {
	switch field.Kind() {
	case protoreflect.EnumKind:
		value := field.Enum().Values().ByNumber(v.Enum())
		if value == nil {
			return fmt.Sprint(v.Enum())
		}
		zero := string(field.Enum().Values().ByNumber(0).Name())
		return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(string(value.Name()), strings.TrimSuffix(zero,
			"UNSPECIFIED")), "_", " "))
	case protoreflect.BytesKind:
		return hex.EncodeToString(v.Bytes())
	case protoreflect.StringKind:
		if n := len(v.String()); n > maxFactText {
			return fmt.Sprintf("a document of %d bytes, kept in the entry", n)
		}
	}
	return station.Printable(v.String())
}

// entry shows one entry of the log as it was signed.
func (v *visit) entry() error {
	number, err := strconv.ParseUint(v.r.PathValue("number"), 10, 64)
	if err != nil {
		return v.nowhere()
	}
	shown, err := v.shownEntries([]uint64{number})
	if err != nil {
		return err
	}
	e := shown[0]
	if e.Closed {
		return refusal.New(refusal.NotFound, "ENTRY_CLOSED", "",
			"Entry %d is not open to your party, or the log has none of that number.", number)
	}
	_, size := v.provenOf(shown)
	party, _, _ := strings.Cut(e.Author, "/")
	agreeable := slices.Contains([]string{"advance paid", "payment recorded", "cost recorded", "corrected",
		"agreement signed"}, e.Kind)
	return v.show("trace_entry.html", fmt.Sprintf("Entry %d", number), map[string]any{"E": e, "Size": size,
		"Form": v.form(),
		"MayAgree": e.Proven && agreeable && party != v.seat.Party && officeRoom().open(v.seat) &&
			v.seat.May(identity.Countersigned),
		"Here": fmt.Sprintf("/trace/entry/%d", number)})
}
