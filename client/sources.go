package main

import (
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/client/station"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// showSources prints the entries that a figure rests on, as their authors signed them: the readings of a weighing, the
// weights of a melt, the results revealed, and behind those the reports on the lot's samples. Each is checked to be what
// was signed. No more than maxSources are fetched; their numbers are in the table above all the same.
func (a *app) showSources(refs []settlement.Ref, lot string) error {
	if len(refs) == 0 {
		return nil
	}
	say(a.out, "\nthe entries that it rests on\n")
	exchanged := false
	for i, r := range refs {
		if i == maxSources {
			say(a.out, "  … and %d more; `barward ledger entry NUMBER` shows each\n", len(refs)-i)
			break
		}
		number := strings.TrimPrefix(string(r), "entry ")
		if _, err := strconv.ParseUint(number, 10, 64); err != nil {
			say(a.out, "  %s\n", printable(string(r))) // a document that is not in the ledger
			continue
		}
		e, err := a.entry(number)
		if r := station.OfStatus(err); r != nil && r.Kind == refusal.NotFound {
			say(a.out, "%6s  not open to your party\n", number)
			continue
		}
		if err != nil {
			return err
		}
		leaf, err := proof.ParseLeaf(e.GetLeaf())
		if err != nil {
			return err
		}
		event := new(pb.Event) // as signed, not as the service reads it
		if err := proto.Unmarshal(leaf.Signed.Event, event); err != nil {
			return err
		}
		exchanged = exchanged || event.GetResultRevealed() != nil
		say(a.out, "%6s  %-25s  %-17s %-22s %s\n", number, event.GetOccurredAt(), station.KindWords(event), e.GetAuthor(), facts(event))
	}
	if !exchanged {
		return nil
	}
	thing, err := a.get(pb.ThingKind_THING_KIND_LOT, lot)
	if err != nil {
		return err
	}
	for _, name := range thing.GetLot().GetSamples() {
		sample, err := a.get(pb.ThingKind_THING_KIND_SAMPLE, name)
		if err != nil {
			return err
		}
		for _, r := range sample.GetSample().GetAssays() {
			say(a.out, "%6d  %-25s  %-17s %-22s on sample %s: %s; `barward assay recompute %s`\n", r.GetEntry(), r.GetReportedAt(), "assay reported",
				r.GetParty(), name, results(r.GetResults()), r.GetReport())
		}
	}
	return nil
}

// results writes an assay in one line: "Au 812.30 ppt, Ag 147.60 ppt".
func results(list []*pb.AssayResult) string {
	parts := make([]string, len(list))
	for i, r := range list {
		parts[i] = printable(r.GetElement() + " " + r.GetFineness())
	}
	return strings.Join(parts, ", ")
}

// facts writes what an event says in one line: its texts and numbers by name, its lists joined, long documents left out.
func facts(event *pb.Event) string {
	m := event.ProtoReflect()
	body := m.WhichOneof(m.Descriptor().Oneofs().ByName("body"))
	if body == nil {
		return ""
	}
	m = m.Get(body).Message()
	var parts []string
	for i := range m.Descriptor().Fields().Len() {
		field := m.Descriptor().Fields().Get(i)
		if !m.Has(field) {
			continue
		}
		name := strings.ReplaceAll(string(field.Name()), "_", " ")
		if text := factOf(m.Get(field), field); text != "" {
			parts = append(parts, name+" "+text)
		}
	}
	return printable(strings.Join(parts, "; "))
}

func factOf(v protoreflect.Value, field protoreflect.FieldDescriptor) string {
	switch {
	case field.IsList() && field.Kind() == protoreflect.StringKind:
		var items []string
		for i := 0; i < v.List().Len() && i < maxFacts; i++ {
			items = append(items, v.List().Get(i).String())
		}
		return strings.Join(items, ", ")
	case field.IsList():
		var found []*pb.AssayResult
		for i := range v.List().Len() {
			if r, ok := v.List().Get(i).Message().Interface().(*pb.AssayResult); ok {
				found = append(found, r)
			}
		}
		if found != nil {
			return results(found)
		}
		return fmt.Sprintf("(%d)", v.List().Len())
	case field.Kind() == protoreflect.StringKind && len(v.String()) <= maxFact:
		return v.String()
	case field.Kind() == protoreflect.StringKind:
		return "(kept in the entry)"
	case field.Kind() == protoreflect.Int32Kind:
		return fmt.Sprint(v.Int())
	}
	return "" // bytes, air and choices say little in one line
}
