package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/alecthomas/kong"
	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type ledgerCmd struct {
	Send            ledgerSend            `cmd:"" help:"Send what waits in the outbox." example:"barward ledger send"`
	Outbox          outboxCmd             `cmd:"" help:"What waits, and what was refused."`
	Entry           ledgerEntry           `cmd:"" help:"Show an entry as stored, by number or event id." example:"barward ledger entry 41"`
	Entries         ledgerEntries         `cmd:"" help:"List entries in order." example:"barward ledger entries --kind weighed"`
	Watch           ledgerWatch           `cmd:"" help:"Print entries as they come, until Ctrl-C." example:"barward ledger watch --from 40"`
	Checkpoint      ledgerCheckpoint      `cmd:"" help:"Fetch the checkpoint and check that the log only grew." example:"barward ledger checkpoint"`
	Cosign          ledgerCosign          `cmd:"" help:"Put your name to the checkpoint that this machine has verified, for the others to compare." example:"barward ledger cosign"`
	Cosigned        ledgerCosigned        `cmd:"" help:"What the parties have cosigned, the newest first, each held against the log as it is seen here." example:"barward ledger cosigned"`
	VerifyInclusion ledgerVerifyInclusion `cmd:"" help:"Prove that an entry is in the log, and who signed it." example:"barward ledger verify-inclusion 41"`
	Record          ledgerRecord          `cmd:"" help:"Record any kind of event from its body in JSON." example:"barward ledger record weighed --file weighed.json"`
	Countersign     ledgerCountersign     `cmd:"" help:"Agree to any earlier entry." example:"barward ledger countersign 41 --note 'I was there'"`
	Correct         ledgerCorrect         `cmd:"" help:"Put a figure right, or withdraw an entry that did not happen." example:"barward ledger correct 41 --reason 'digits swapped' --kind weighed --file right.json"`
	Corrections     listCmd               `cmd:"" help:"List corrections that wait for the other party." thing:"correction" example:"barward ledger corrections"`
}

type ledgerSend struct{}

// Run sends.
func (c *ledgerSend) Run(a *app) error {
	if err := a.openBox(); err != nil {
		return err
	}
	waiting, err := a.box.Waiting(1)
	if err != nil {
		return err
	}
	if len(waiting) == 0 {
		say(a.complain, "Nothing waits.\n")
		return nil
	}
	return a.send()
}

type outboxCmd struct {
	List    outboxList    `cmd:"" default:"1" help:"List what waits and what was refused." example:"barward ledger outbox list"`
	Dismiss outboxDismiss `cmd:"" help:"Forget an event that was refused." example:"barward ledger outbox dismiss 019ba5a2-0000-7000-8000-00000000a1b2"`
	Retry   outboxRetry   `cmd:"" help:"Have a refused event sent again, once what it was refused for is mended." example:"barward ledger outbox retry 019ba5a2-0000-7000-8000-00000000a1b2"`
}

type outboxList struct{}

// Run lists; it needs no service.
func (c *outboxList) Run(a *app) error {
	if err := a.openBox(); err != nil {
		return err
	}
	t := table{columns: []string{"event", "state", "kind", "occurred at", "why"}}
	for _, state := range []outbox.State{outbox.Waiting, outbox.Refused} {
		for page := (outbox.Page{Size: outbox.MaxPage}); ; {
			items, err := a.box.List(state, page)
			if err != nil {
				return err
			}
			for _, item := range items {
				event := &pb.Event{}
				_ = proto.Unmarshal(item.Signed.Event, event) // what cannot be read still has an id and a state to show
				t.add(item.ID.String(), string(state), station.KindWords(event), event.GetOccurredAt(), item.Text)
			}
			if len(items) < page.Size {
				break
			}
			page.After = items[len(items)-1].ID
		}
	}
	damaged, err := a.box.Damaged()
	if err != nil {
		return err
	}
	for _, d := range damaged {
		say(a.complain, "! damaged: %s (%s)\n", d.File, d.Why)
	}
	if a.g.Output == "json" {
		return a.showValue(records(t))
	}
	return a.showTable(t)
}

// records are the rows of a table as objects.
func records(t table) []map[string]string {
	list := make([]map[string]string, len(t.rows))
	for i, row := range t.rows {
		list[i] = map[string]string{}
		for j, name := range t.columns {
			list[i][strings.ReplaceAll(name, " ", "_")] = row[j]
		}
	}
	return list
}

type outboxDismiss struct {
	Event string `arg:"" help:"Event id."`
}

// Run dismisses.
func (c *outboxDismiss) Run(a *app) error {
	return a.onEvent(c.Event, func(id uuid.UUID) error { return a.box.Dismiss(id) })
}

type outboxRetry struct {
	Event string `arg:"" help:"Event id."`
}

// Run puts the event back, then sends.
func (c *outboxRetry) Run(a *app) error {
	if err := a.onEvent(c.Event, func(id uuid.UUID) error { return a.box.Retry(id) }); err != nil {
		return err
	}
	return a.send()
}

func (a *app) onEvent(text string, do func(uuid.UUID) error) error {
	id, err := uuid.Parse(text)
	if err != nil {
		return refusal.Invalidf("EVENT_ID_MALFORMED", "", "%q is no event id; `barward ledger outbox` lists them.", text)
	}
	if err := a.openBox(); err != nil {
		return err
	}
	return do(id)
}

type ledgerEntry struct {
	Entry string `arg:"" help:"Sequence number or event id."`
}

// Run shows.
func (c *ledgerEntry) Run(a *app) error {
	e, err := a.entry(c.Entry)
	if err != nil {
		return err
	}
	return a.showEntries([]*pb.Entry{e}, true)
}

type ledgerEntries struct {
	Kind      string `help:"Event kind, such as weighed."`
	PageSize  int32  `help:"Entries a page, 1 to 500." default:"50"`
	PageToken string `help:"Where the page before ended."`
	All       bool   `help:"Every page."`
}

// Run lists.
func (c *ledgerEntries) Run(a *app) error {
	if err := a.open(); err != nil {
		return err
	}
	var entries []*pb.Entry
	next := c.PageToken
	for {
		ctx, cancel := a.call()
		page, err := a.ledger.ListEntries(ctx, &pb.ListEntriesRequest{PageSize: c.PageSize, PageToken: next, Kind: c.Kind})
		cancel()
		if err != nil {
			return err
		}
		for _, e := range page.GetEntries() {
			if err := a.station.CheckEntry(e); err != nil {
				return err
			}
		}
		entries = append(entries, page.GetEntries()...)
		if next = page.GetNextPageToken(); next == "" || !c.All {
			break
		}
	}
	if err := a.showEntries(entries, false); err != nil {
		return err
	}
	if next != "" {
		say(a.complain, "There are more: --page-token %s, or --all.\n", next)
	}
	return nil
}

type ledgerWatch struct {
	From uint64 `help:"First sequence number wanted." default:"0"`
}

// Run prints until it is stopped; being stopped is no failure.
func (c *ledgerWatch) Run(a *app) error {
	if err := a.open(); err != nil {
		return err
	}
	stream, err := a.ledger.WatchEntries(a.ctx, &pb.WatchEntriesRequest{FromSequence: c.From})
	if err != nil {
		return err
	}
	for {
		answer, err := stream.Recv()
		if errors.Is(err, io.EOF) || a.ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		e := answer.GetEntry()
		if err := a.station.CheckEntry(e); err != nil {
			return err
		}
		if a.g.Output == "json" {
			err = a.showJSON([]proto.Message{e})
		} else {
			_, err = fmt.Fprintf(a.out, "%6d  %-25s  %-22s %s\n", e.GetSequence(), e.GetEvent().GetOccurredAt(),
				station.KindWords(e.GetEvent()), e.GetAuthor())
		}
		if err != nil {
			return err
		}
	}
}

func (a *app) showEntries(entries []*pb.Entry, whole bool) error {
	t := table{columns: []string{"entry", "recorded at", "kind", "author", "occurred at", "place", "event"}}
	var messages []proto.Message
	for _, e := range entries {
		event := e.GetEvent()
		t.add(fmt.Sprint(e.GetSequence()), e.GetRecordedAt(), station.KindWords(event), e.GetAuthor(), event.GetOccurredAt(),
			event.GetPlace(), event.GetEventId())
		messages = append(messages, e)
	}
	switch {
	case a.g.Output == "json" && !whole:
		return a.showList(messages)
	case a.g.Output != "table" || !whole:
		return a.show(t, messages...)
	}
	e := entries[0]
	say(a.out, "entry %d, %s, by %s\nrecorded at %s under rules %d; signature checked\n\n", e.GetSequence(),
		station.KindWords(e.GetEvent()), e.GetAuthor(), e.GetRecordedAt(), e.GetRules())
	if e.GetDoubt() != "" {
		say(a.out, "! in doubt: %s\n\n", printable(e.GetDoubt()))
	}
	a.detail(e.GetEvent())
	return nil
}

type ledgerCheckpoint struct{}

// Run always fetches: to look is the purpose.
func (c *ledgerCheckpoint) Run(a *app) error {
	if err := a.link(); err != nil {
		return err
	}
	before, seen := a.station.Seen()
	if err := a.station.Advance(a.ctx); err != nil {
		return err
	}
	last, _ := a.station.Seen()
	switch {
	case a.g.Output == "json":
		return a.showValue(map[string]any{"origin": last.Origin, "size": last.Size, "root": last.Root.String()})
	case a.g.Output == "csv":
		t := table{columns: []string{"origin", "size", "root"}}
		t.add(last.Origin, fmt.Sprint(last.Size), last.Root.String())
		return a.showTable(t)
	}
	say(a.out, "%s: %d entries, root %s; signature checked\n", last.Origin, last.Size, last.Root)
	if seen {
		say(a.out, "✓ it continues the %d entries seen before\n", before.Size)
	} else {
		say(a.out, "Seen for the first time; from now on it may only grow.\n")
	}
	return nil
}

type ledgerCosign struct{}

// Run records it.
func (c *ledgerCosign) Run(a *app) error {
	if err := a.openBox(); err != nil {
		return err
	}
	event, err := a.station.Cosign(a.ctx)
	if err != nil {
		return err
	}
	at, _ := a.station.Seen()
	say(a.complain, "Cosigning %d entries of %s, root %s\n", at.Size, at.Origin, at.Root)
	return a.record(event)
}

type ledgerCosigned struct{}

// Run verifies each and shows them.
func (c *ledgerCosigned) Run(a *app) error {
	if err := a.openBox(); err != nil {
		return err
	}
	all, err := a.station.Cosignatures(a.ctx)
	if err != nil {
		return err
	}
	t := table{columns: []string{"party", "by", "entries", "at", "entry", "result", "root"}}
	for _, c := range all {
		if c.Fault != nil {
			t.add(c.Party, c.Person, "", "", fmt.Sprint(c.Entry), station.Sentence(c.Fault), "")
			continue
		}
		t.add(c.Party, c.Person, fmt.Sprint(c.Checkpoint.Size), c.At.Format(time.RFC3339),
			fmt.Sprint(c.Entry), "continued here", c.Checkpoint.Root.String())
	}
	if a.g.Output == "json" {
		return a.showValue(records(t))
	}
	return a.showTable(t)
}

type ledgerVerifyInclusion struct {
	Entry string `arg:"" help:"Sequence number or event id."`
}

// Run proves.
func (c *ledgerVerifyInclusion) Run(a *app) error {
	e, err := a.entry(c.Entry)
	if err != nil {
		return err
	}
	last, err := a.included(e)
	if err != nil {
		return err
	}
	if a.g.Output != "table" {
		t := table{columns: []string{"entry", "event", "author", "tree size", "root", "verified"}}
		t.add(fmt.Sprint(e.GetSequence()), e.GetEvent().GetEventId(), e.GetAuthor(), fmt.Sprint(last.Size),
			last.Root.String(), "yes")
		if a.g.Output == "json" {
			return a.showValue(records(t)[0])
		}
		return a.showTable(t)
	}
	say(a.out, "✓ entry %d (%s, by %s) is in the signed tree of %d entries, root %s\n", e.GetSequence(),
		station.KindWords(e.GetEvent()), e.GetAuthor(), last.Size, last.Root)
	return nil
}

type ledgerRecord struct {
	Kind string `arg:"" help:"Event kind, such as weighed or bar_received."`
	File string `required:"" help:"Body in JSON, with the field names of the protos." type:"path"`
}

// Run records.
func (c *ledgerRecord) Run(a *app) error {
	message, err := newBody(c.Kind)
	if err != nil {
		return err
	}
	if err := a.body(c.File, message); err != nil {
		return err
	}
	return a.record(message)
}

// newBody makes an empty body of a kind.
func newBody(kind string) (proto.Message, error) {
	fields := (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	fd := fields.ByName(protoreflect.Name(strings.NewReplacer("-", "_", " ", "_").Replace(kind)))
	if fd == nil {
		var names []string
		for i := range fields.Len() {
			names = append(names, string(fields.Get(i).Name()))
		}
		return nil, refusal.Invalidf("KIND_UNKNOWN", "kind", "%q is no kind of event; the kinds are %s.", kind,
			strings.Join(names, ", "))
	}
	return (&pb.Event{}).ProtoReflect().NewField(fd).Message().Interface(), nil
}

// countersignCmd agrees to the entry that a thing was recorded by.
type countersignCmd struct {
	Name string `arg:"" help:"Its number, or party/number."`
	Note string `help:"A note."`
}

// Run finds the entry: the first one that the thing rests on.
func (c *countersignCmd) Run(a *app, chosen *kong.Context) error {
	thing, err := a.get(thingOf(chosen), c.Name)
	if station.Unreachable(err) && thingOf(chosen) == pb.ThingKind_THING_KIND_POUR {
		return a.witnessHere(c.Name, c.Note, err)
	}
	if err != nil {
		return err
	}
	if s := thing.GetStatement(); s.GetCheckpointSize() > 0 {
		if err := a.restsOn(s); err != nil {
			return err
		}
	}
	rests, ok := inside(thing).(interface{ GetEntries() []uint64 })
	if !ok || len(rests.GetEntries()) == 0 {
		return refusal.New(refusal.Precondition, "NOTHING_TO_COUNTERSIGN", "",
			"%s rests on no entry that could be countersigned.", c.Name)
	}
	if a.g.Output == "table" {
		if g := thing.GetAgreement(); g != nil {
			err = a.showAgreement(g, false)
		} else {
			err = a.showThing(thingOf(chosen), thing)
		}
		if err != nil {
			return err
		}
		say(a.out, "\n")
	}
	return a.countersign(strconv.FormatUint(rests.GetEntries()[0], 10), c.Note)
}

// witnessHere countersigns a pour that waits in the outbox of this very workstation: two people stand at the bench, and
// the link that is down is no reason to let one of them go unsigned. Its event is sent before the witness's.
func (a *app) witnessHere(name, note string, down error) error {
	if _, number, full := strings.Cut(name, "/"); full {
		name = number
	}
	if err := a.openBox(); err != nil {
		return err
	}
	waiting, err := a.box.Waiting(outbox.MaxPage)
	if err != nil {
		return err
	}
	for _, item := range waiting {
		event := &pb.Event{}
		if proto.Unmarshal(item.Signed.Event, event) != nil || event.GetPourRecorded().GetPourId() != name {
			continue
		}
		key, err := a.person()
		if err != nil {
			return err
		}
		if bytes.Equal(event.GetAuthorKey(), key.Public()) {
			return refusal.New(refusal.Precondition, "OWN_ENTRY", "",
				"You signed pour %s yourself; a second person countersigns, with their own key.", name)
		}
		if a.g.Output == "table" {
			a.detail(event)
			say(a.out, "\n")
		}
		return a.agreeTo(event, item.Signed.Event, note, "the waiting event")
	}
	return down
}

type ledgerCountersign struct {
	Entry string `arg:"" help:"Sequence number or event id."`
	Note  string `help:"A note."`
}

// Run countersigns.
func (c *ledgerCountersign) Run(a *app) error { return a.countersign(c.Entry, c.Note) }

// countersign agrees to the bytes that were fetched and checked here, by their hash.
func (a *app) countersign(which, note string) error {
	e, err := a.entry(which)
	if err != nil {
		return err
	}
	leaf, err := proof.ParseLeaf(e.GetLeaf())
	if err != nil {
		return err
	}
	return a.agreeTo(e.GetEvent(), leaf.Event, note, fmt.Sprintf("entry %d by %s", e.GetSequence(), e.GetAuthor()))
}

// agreeTo records the agreement to an event, by the hash of its bytes.
func (a *app) agreeTo(event *pb.Event, signed []byte, note, which string) error {
	sum := sha256.Sum256(signed)
	say(a.complain, "Countersigning %s: %s, %s, SHA-256 %s\n", which, station.KindWords(event), event.GetOccurredAt(), hex.EncodeToString(sum[:8]))
	return a.record(&pb.Countersigned{EventId: event.GetEventId(), EventSha256: sum[:], Note: note})
}

type ledgerCorrect struct {
	Entry    string `arg:"" help:"Sequence number or event id of what is wrong."`
	Reason   string `required:"" help:"Why."`
	Withdraw bool   `help:"Withdraw it: it did not happen." xor:"what"`
	Kind     string `help:"weighed, assay_reported, bar_received or melted." and:"right"`
	File     string `help:"What is right, JSON body." type:"path" xor:"what" and:"right"`
}

// Run records the correction.
func (c *ledgerCorrect) Run(a *app) error {
	if !c.Withdraw && c.File == "" {
		return refusal.Invalidf("CORRECTION_EMPTY", "",
			"Say what is right with --kind and --file, or withdraw the entry with --withdraw.")
	}
	e, err := a.entry(c.Entry)
	if err != nil {
		return err
	}
	correction := &pb.Corrected{Reason: c.Reason}
	if c.File != "" {
		fields := correction.ProtoReflect().Descriptor().Oneofs().ByName("replacement").Fields()
		fd := fields.ByName(protoreflect.Name(strings.ReplaceAll(c.Kind, "-", "_")))
		if fd == nil {
			return refusal.Invalidf("KIND_UNKNOWN", "--kind",
				"%q cannot be put right; weighed, assay_reported, bar_received and melted can.", c.Kind)
		}
		right := correction.ProtoReflect().Mutable(fd).Message().Interface()
		if err := a.body(c.File, right); err != nil {
			return err
		}
	}
	event, err := a.envelope(correction)
	if err != nil {
		return err
	}
	event.Supersedes = e.GetEvent().GetEventId()
	return a.recordEvents(event)
}
