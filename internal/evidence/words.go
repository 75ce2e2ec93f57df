package evidence

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// summarize tells what the entries say, one after the other, field by field, in the order and under the names of the
// protocol. It is made from the signed bytes alone, and is the same wherever it is made: Verify makes it again.
func (p *Pack) summarize(records []*record) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "Evidence about %s\n\n"+
		"A program made this text from the signed entries in this file. It repeats what their authors said and adds\n"+
		"nothing. `barward evidence verify` checks it and says what is proven and what is not.\n\n"+
		"Log: %s\n", p.About, logName(p.LogKey))
	for _, r := range records {
		fmt.Fprintf(&b, "\nEntry %d, taken by the log %s\n  signed by %s: %s, said to have happened %s",
			r.sequence, r.leaf.RecordedAt.Format(time.RFC3339Nano), r.by(), kindOf(r), quoted(r.event.OccurredAt))
		if r.event.Place != "" {
			fmt.Fprintf(&b, " at %s", quoted(r.event.Place))
		}
		b.WriteByte('\n')
		if r.event.Supersedes != "" {
			fmt.Fprintf(&b, "  about the event %s\n", quoted(r.event.Supersedes))
		}
		body := r.event.ProtoReflect()
		if field := body.WhichOneof(bodies); field != nil {
			tell(&b, body.Get(field).Message(), "    ")
		}
	}
	return []byte(b.String())
}

func logName(key string) string {
	name, _, _ := strings.Cut(key, "+")
	return quoted(name)
}

var bodies = new(pb.Event).ProtoReflect().Descriptor().Oneofs().ByName("body")

// kindOf returns the kind of an event, such as "weighed".
func kindOf(r *record) string {
	if field := r.event.ProtoReflect().WhichOneof(bodies); field != nil {
		return string(field.Name())
	}
	return "a kind of entry that this program does not know"
}

// tell writes the fields that are set, in the order of their numbers.
func tell(b *strings.Builder, m protoreflect.Message, indent string) {
	var fields []protoreflect.FieldDescriptor
	m.Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
		fields = append(fields, f)
		return true
	})
	slices.SortFunc(fields, func(a, b protoreflect.FieldDescriptor) int { return int(a.Number()) - int(b.Number()) })
	for _, f := range fields {
		if !f.IsList() {
			tellOne(b, f, m.Get(f), indent)
			continue
		}
		list := m.Get(f).List()
		for i := range list.Len() {
			tellOne(b, f, list.Get(i), indent)
		}
	}
	if len(m.GetUnknown()) > 0 {
		fmt.Fprintf(b, "%s%d bytes that this program does not know\n", indent, len(m.GetUnknown()))
	}
}

func tellOne(b *strings.Builder, f protoreflect.FieldDescriptor, v protoreflect.Value, indent string) {
	switch f.Kind() {
	case protoreflect.MessageKind, protoreflect.GroupKind:
		fmt.Fprintf(b, "%s%s\n", indent, f.Name())
		tell(b, v.Message(), indent+"  ")
	case protoreflect.EnumKind:
		name := strconv.Itoa(int(v.Enum()))
		if known := f.Enum().Values().ByNumber(v.Enum()); known != nil {
			name = string(known.Name())
		}
		fmt.Fprintf(b, "%s%s %s\n", indent, f.Name(), name)
	case protoreflect.BytesKind:
		fmt.Fprintf(b, "%s%s %x\n", indent, f.Name(), cutBytes(v.Bytes()))
	case protoreflect.StringKind:
		fmt.Fprintf(b, "%s%s %s\n", indent, f.Name(), quoted(v.String()))
	default:
		fmt.Fprintf(b, "%s%s %v\n", indent, f.Name(), v.Interface())
	}
}

func cutBytes(b []byte) []byte { return b[:min(len(b), maxShown)] }

// quoted shows what somebody wrote: plain where it is plain, between quotation marks where it could be taken for ours,
// and cut, with its length and hash, where it is long.
func quoted(s string) string {
	if len(s) > maxShown {
		sum := sha256.Sum256([]byte(s))
		return fmt.Sprintf("%q and more, %d bytes in all with SHA-256 %x", strings.ToValidUTF8(s[:200], ""), len(s), sum)
	}
	q := strconv.Quote(s)
	if s != "" && q == `"`+s+`"` {
		return s
	}
	return q
}

// conclude says in words what is proven and what is not.
func (v *verification) conclude() {
	r := &v.report
	for _, k := range v.who.order {
		var signed []uint64
		for _, e := range v.records {
			if e.key == k.id && e.author != nil {
				signed = append(signed, e.sequence)
			}
		}
		if len(signed) > 0 {
			r.Signed = append(r.Signed, Signature{k.owner.name, k.id.Short(), signed})
		}
	}
	if r.Sound() {
		v.proven()
	}
	v.notProven()
}

func (v *verification) proven() {
	r := &v.report
	add := func(format string, args ...any) { r.Proven = append(r.Proven, fmt.Sprintf(format, args...)) }
	whose := "the key that this file gives for it"
	if r.Compared {
		whose = "the key that you gave for it"
	}
	add("The log %s signed a checkpoint of %d entries with %s.", quoted(r.Log), r.Size, whose)
	add("%s in that log under that checkpoint, each byte for byte as its author signed it; none of them can be "+
		"changed, put elsewhere or dated otherwise by the log without that showing.",
		plural(len(v.records), "entry of this file is", "entries of this file are"))
	for _, s := range r.Signed {
		add("%s signed with the key %s: %s.", s.Person, s.Key, list(s.Entries))
	}
	for _, k := range v.who.order {
		switch {
		case k.by == "":
			add("The key %s is that of %s, who founded the log with it.", k.id.Short(), k.owner.name)
		default:
			add("The key %s is that of %s: %s says so in entry %d.", k.id.Short(), k.owner.name, k.by, k.from)
		}
		if k.until != 0 {
			add("That key was %s by entry %d and signed nothing here after it.", k.ended, k.until)
		}
	}
	for _, c := range r.Cosigned {
		add("%s put their name to the checkpoint of %d entries at %s (by their clock): they had seen the log so, grown "+
			"from all that they had seen before. %s.",
			c.Person, c.Size, c.At.Format(time.RFC3339), covers(c.Covers, len(v.records)))
	}
	for _, s := range r.Statements {
		r.Proven = append(r.Proven, s.Words)
	}
	add("%s put this file together and signed it on %s, by their clock.", r.Exporter, r.Exported.Format(time.RFC3339))
}

func partyOf(person string) string {
	party, _, _ := strings.Cut(person, "/")
	return party
}

func covers(some, all int) string {
	if some == all {
		return "Every entry of this file is under it"
	}
	return fmt.Sprintf("%d of the %d entries of this file are under it", some, all)
}

func (v *verification) notProven() {
	r := &v.report
	add := func(format string, args ...any) { r.NotProven = append(r.NotProven, fmt.Sprintf(format, args...)) }
	add("That the metal was there, and that what was weighed, read and assayed was seen so. It is proven who said so.")
	add("That this is all that the log holds about %s. The exporter chose the entries; one that was left out leaves "+
		"no gap here. Ask the other party for their own file.", r.About)
	if len(v.p.Withheld) > 0 {
		add("What stands in %s: the exporter's party may not read that.", list(v.p.Withheld))
	}
	add("That the clocks were right. An author wrote when it happened, the log when it took it; neither is checked here.")
	if !r.Compared {
		add("That the log is the one you think of. Its key comes from this file. Ask the operator and the other party "+
			"for the key, and verify again with --log-key: %s", quoted(r.LogKey))
	}
	others := slices.ContainsFunc(r.Cosigned, func(c Cosigned) bool { return partyOf(c.Person) != partyOf(r.Exporter) })
	switch {
	case len(r.Cosigned) == 0:
		add("That the log shows others the same entries. Nobody but the log has put their name to a checkpoint in this file.")
	case !others:
		add("That the log shows others the same entries. Only the exporter's own party has put its name to a checkpoint " +
			"in this file.")
	}
	add("That a key was in the hands of the person it belongs to, or that no key was revoked since. Ask the " +
		"administrators of the parties.")
	if in := v.who.inDoubt(v.records); len(in) > 0 {
		add("Who signed %s: the key may have been in other hands by then, its own party says.", list(in))
	}
	add("That the service kept its rules when it took these entries: who may record what, and in which state of things.")
	if unknown := v.unknown(); len(unknown) > 0 {
		add("The meaning of %s: this program does not know the kind, or not every field. Use a newer one.", list(unknown))
	}
	if len(v.p.Cover) > 0 {
		add("What the cover (%s) says. It is the exporter's own paper, made from the same record; rely on the entries.",
			coverName)
	}
}

// unknown returns the entries that this program cannot read wholly.
func (v *verification) unknown() (entries []uint64) {
	for _, r := range v.records {
		m := r.event.ProtoReflect()
		field := m.WhichOneof(bodies)
		if field == nil || len(m.GetUnknown()) > 0 || len(m.Get(field).Message().GetUnknown()) > 0 {
			entries = append(entries, r.sequence)
		}
	}
	return entries
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// list names entries, few by their numbers, many by the first and how many more.
func list(entries []uint64) string {
	var names []string
	for _, n := range entries[:min(len(entries), maxListed)] {
		names = append(names, strconv.FormatUint(n, 10))
	}
	text := "entry "
	if len(entries) > 1 {
		text = "entries "
	}
	text += strings.Join(names, ", ")
	if more := len(entries) - maxListed; more > 0 {
		text += fmt.Sprintf(" and %d more", more)
	}
	return text
}

// Leaf returns the bytes of an entry as hashed, and their hash, for those who check by hand. Reason: ENTRY_MISSING.
func (p Pack) Leaf(sequence uint64) ([]byte, proof.Hash, error) {
	for _, e := range p.Entries {
		if e.Sequence == sequence {
			return e.Leaf, proof.LeafHash(e.Leaf), nil
		}
	}
	return nil, proof.Hash{}, finding("ENTRY_MISSING", entryName(sequence), "Entry %d is not in the pack.", sequence)
}

// Summary returns the text to read of a pack that was read.
func (p Pack) Summary() string { return string(p.summary) }

// Keys returns the list of keys of a pack that was read.
func (p Pack) Keys() string { return string(p.keys) }
