package desk

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// What a person signs on a page takes one way:
//
//	1. the form is kept on the disk with the ids of the events to be made of it;
//	2. the events are signed and put in the outbox, on the disk too;
//	3. the sender is woken, and the page waits a little for the answer.
//
// So a form that is sent twice, by a finger or by a browser that came back from a crash, signs once; and an event that
// the service refuses later, because the link was down, leads back to its form with what was typed.

// signing is one event to be signed: by whoever sits here, unless a witness is named.
type signing struct {
	body  proto.Message
	by    *identity.Key
	place string
	// supersedes is the event that a correction puts right.
	supersedes string
}

// trusted refuses to sign for a log that has contradicted itself.
func (d *Desk) trusted() error {
	alarm := d.sender.now().Alarm
	if alarm == "" {
		return nil
	}
	return refusal.New(refusal.Precondition, "LOG_UNTRUSTED", "",
		"The log has contradicted itself, so nothing more is signed here: %s. Tell the other parties and your own "+
			"management.", alarm)
}

// sign signs the bodies as whoever sits here and tells the person what became of them. A refusal comes back as an
// error, for the form to show; then nothing was recorded and nothing of it stays in the outbox. words say what it is,
// such as "Box B-3". Where the event takes no place of its own, place is the site of the workstation.
func (v *visit) sign(f *Form, words string, bodies ...proto.Message) error {
	list := make([]signing, len(bodies))
	for i, body := range bodies {
		list[i] = signing{body: body}
	}
	_, err := v.signAll(f, words, list...)
	return err
}

// signAll is sign for events of several authors or places. It returns the events as they were signed.
func (v *visit) signAll(f *Form, words string, list ...signing) ([]outbox.Item, error) {
	if err := v.d.trusted(); err != nil {
		return nil, err
	}
	if before, again := v.signedBefore(f); again {
		v.say("done", words+" was signed already; it is not signed twice.")
		return before, nil
	}
	events := make([]*pb.Event, len(list))
	kept := keptForm{Path: v.r.URL.Path, Values: f.values}
	for i, s := range list {
		place := s.place
		if place == "" {
			place = v.d.c.Place
		}
		event, err := v.d.station.Envelope(v.ctx(), list[i].key(v.seat), s.body, "", place)
		if err != nil {
			return nil, err
		}
		event.Supersedes = s.supersedes
		events[i] = event
		kept.Events = append(kept.Events, event.GetEventId())
	}
	if err := v.d.keepForm(f.Once, kept); err != nil {
		return nil, err
	}
	items := make([]outbox.Item, len(list))
	var ids []uuid.UUID
	for i, event := range events {
		item, err := v.d.station.Put(list[i].key(v.seat), event)
		if err != nil {
			return nil, errors.Join(err, v.d.drop(ids))
		}
		items[i], ids = item, append(ids, item.ID)
	}
	return items, v.outcome(f, words, ids)
}

func (s signing) key(seat *seat) identity.Key {
	if s.by != nil {
		return *s.by
	}
	return seat.key
}

// signedBefore returns what was signed of a form already.
func (v *visit) signedBefore(f *Form) ([]outbox.Item, bool) {
	kept, found := v.d.form(f.Once)
	if !found || len(kept.Events) == 0 {
		return nil, false
	}
	var items []outbox.Item
	for _, text := range kept.Events {
		id, err := uuid.Parse(text)
		if err != nil {
			return nil, false
		}
		item, there, err := v.d.find(id)
		if err != nil || !there || item.State == outbox.Refused {
			return nil, false // a crash came between keeping the form and signing; or it is signed anew, put right
		}
		items = append(items, item)
	}
	return items, true
}

// outcome waits for the answers and tells what became of the events.
func (v *visit) outcome(f *Form, words string, ids []uuid.UUID) error {
	answers := v.d.sender.await(v.ctx(), ids)
	var refused error
	var lines []string
	recorded, entries := 0, ""
	for _, a := range answers {
		if a.Err != nil {
			if refused == nil {
				refused = a.Err
			}
			continue
		}
		recorded++
		entries += fmt.Sprintf(" %d", a.Receipt.GetSequence())
		for _, d := range a.Receipt.GetDiscrepancies() {
			lines = append(lines, "Flagged: "+discrepancyWords(d))
		}
		lines = append(lines, a.Receipt.GetNotes()...)
	}
	switch {
	case refused != nil && recorded == 0 && len(answers) == len(ids):
		return errors.Join(refused, v.d.drop(ids), v.d.forgetForm(f.Once))
	case refused != nil:
		lines = append(lines, capital(plainWords(refused)))
		v.say("wrong", words+" was refused in part; see the outbox.", lines...)
	case recorded == len(ids):
		v.say("done", words+" is recorded"+counted(" as entry", strings.TrimSpace(entries))+".", lines...)
	default:
		why := "it is sent as soon as the link is up"
		if state := v.d.sender.now(); state.Up {
			why = "the service has not answered yet"
		}
		v.say("waits", words+" is signed and kept on this workstation; "+why+". Nothing is lost.", lines...)
	}
	return nil
}

func counted(before, entries string) string {
	if entries == "" {
		return ""
	}
	if strings.Contains(entries, " ") {
		return strings.Replace(before, "entry", "entries", 1) + " " + strings.Join(strings.Fields(entries), " and ")
	}
	return before + " " + entries
}

// drop takes refused events out of the outbox, because the person is being told on this very page. One that still waits
// stays.
func (d *Desk) drop(ids []uuid.UUID) error {
	for _, id := range ids {
		if err := d.station.Outbox().Dismiss(id); err != nil && !refusal.Is(err, "EVENT_STILL_WAITING") &&
			!refusal.Is(err, "EVENT_NOT_IN_OUTBOX") {
			return err
		}
	}
	d.sender.count()
	return nil
}

func (d *Desk) forgetForm(once string) error {
	err := os.Remove(d.kept.Path(formFile(once)))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// forgetOld deletes forms that were signed long ago, which nobody's browser sends again, drafts of pours that are long
// on record, and what was seen so long ago that nobody should go by it.
func (d *Desk) forgetOld() {
	drafts, err := d.drafts()
	if err != nil {
		d.log.Warn("drafts not read", "error", err)
	}
	for _, p := range drafts {
		if p.Event != "" && d.now().Sub(p.Changed) > keptLife {
			_ = d.remove(draftFile(p.ID)) // the next start tries again
		}
	}
	for _, folder := range []string{"forms", "seen"} {
		_ = filepath.WalkDir(d.kept.Path(folder), func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return nil // what cannot be read is not deleted
			}
			if info, err := e.Info(); err == nil && d.now().Sub(info.ModTime()) > keptLife {
				_ = os.Remove(path)
			}
			return nil
		})
	}
}

// formOf finds the form that an event was made of, so that a refused one can be put right.
func (d *Desk) formOf(id string) (once string, kept keptForm, found bool) {
	entries, err := os.ReadDir(d.kept.Path("forms"))
	if err != nil {
		return "", kept, false
	}
	for _, e := range entries {
		once := strings.TrimSuffix(e.Name(), ".json")
		if kept, ok := d.form(once); ok {
			for _, event := range kept.Events {
				if event == id {
					return once, kept, true
				}
			}
		}
	}
	return "", kept, false
}

// eventOf reads the event of an item.
func eventOf(item outbox.Item) *pb.Event {
	event := &pb.Event{}
	if proto.Unmarshal(item.Signed.Event, event) != nil {
		return nil
	}
	return event
}

// receiptOf reads the receipt of an item; nil where there is none.
func receiptOf(item outbox.Item) *pb.Receipt {
	receipt := &pb.Receipt{}
	if len(item.Receipt) == 0 || protojson.Unmarshal(item.Receipt, receipt) != nil {
		return nil
	}
	return receipt
}

// discrepancyWords says a discrepancy in a line.
func discrepancyWords(d *pb.Discrepancy) string {
	kind := strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(d.GetKind().String(), "DISCREPANCY_KIND_"), "_", " "))
	text := kind + ", " + d.GetSubject()
	switch {
	case d.GetWords() != "":
		text += ": " + strings.TrimSuffix(d.GetWords(), ".")
	case d.GetObserved() != "":
		text += ": " + d.GetObserved()
		if d.GetLimit() != "" {
			text += ", limit " + d.GetLimit()
		}
	}
	if d.GetAnswerable() != "" {
		text += "; " + d.GetAnswerable() + " must answer"
	}
	return text + " (" + d.GetName() + ")"
}

// untrusted reports whether an error is the alarm.
func untrusted(err error) bool {
	var alarm *station.Untrusted
	return errors.As(err, &alarm)
}
