package desk

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// A shift is one run of scanning: what was advised as it stood when the shift began, and a journal of every line that
// was scanned since. Both are files, and the journal is on the disk before a line is answered, so a desk that ended
// begins where it was by reading the journal again; the rules give the same answers. A line has its number in the
// shift: sent twice, because an answer got lost, it is answered again and does nothing more. An event is signed into
// its line of the journal first and put in the outbox second, so that it is the same event after a power cut between
// the two.

// The kinds of shift.
const (
	shiftScan = "scan" // bars out of their boxes, onto the balance
	shiftTake = "take" // boxes taken over
)

// keptShift is what a shift began with.
type keptShift struct {
	ID          string            `json:"id"`
	Kind        string            `json:"kind"`
	Party       string            `json:"party"`
	By          string            `json:"by"`
	Begun       time.Time         `json:"begun"`
	Consignment string            `json:"consignment"`
	Balance     string            `json:"balance,omitempty"`
	Unit        string            `json:"unit,omitempty"`
	Place       string            `json:"place,omitempty"`
	Air         *pb.Air           `json:"air,omitempty"` // at the balance, as measured when it began
	Judge       *weighing.Balance `json:"judge,omitempty"`
	Door        *station.Door     `json:"door,omitempty"`
	From        string            `json:"from,omitempty"`
	Due         []station.DueBox  `json:"due,omitempty"`
}

// keptLine is one line of the journal.
type keptLine struct {
	Page      string    `json:"page"` // the window that it was scanned in
	N         int       `json:"n"`    // from 1
	Text      string    `json:"text"`
	At        time.Time `json:"at"`
	ID        string    `json:"id,omitempty"` // of the event that it made
	Event     []byte    `json:"event,omitempty"`
	Signature []byte    `json:"signature,omitempty"`
}

// lineReader is a state machine of package station.
type lineReader interface {
	Line(text string) ([]station.Verdict, *pb.BarReceived, bool)
}

// shiftBar is a bar that was recorded in a shift, and what became of it.
type shiftBar struct {
	N                  int
	ID, Bar, Box, Mass string
	State              outbox.State
	Entry              uint64
	Flags              []flagLine
	Why                string // it was refused, or dismissed
}

// shift is a shift that is open in this process.
type shift struct {
	keptShift
	mu      sync.Mutex
	reader  lineReader
	lines   []keptLine
	answers []said
	bars    []*shiftBar
	seals   map[string][]string // as read, by box
	journal *os.File
	closed  bool // it is read again from the disk
}

// said is what was answered to a line.
type said struct {
	verdicts []station.Verdict
	stop     bool
}

// shifts are those that this process has open.
type shifts struct {
	mu  sync.Mutex
	all map[string]*shift
}

const (
	maxShiftLines = 20_000
	maxScanText   = 1000           // bytes; the page takes 200 characters
	shiftLife     = 36 * time.Hour // one that began earlier is not offered any more
)

func shiftFile(id string) string { return "bay/" + id + ".json" }

func journalFile(id string) string { return "bay/" + id + ".journal" }

// newShift keeps a new shift and opens it.
func (d *Desk) newShift(k keptShift) (*shift, error) {
	k.ID, k.Begun = uuid.NewString(), d.now()
	if err := d.kept.Write(journalFile(k.ID), nil); err != nil {
		return nil, err
	}
	if err := d.kept.WriteJSON(shiftFile(k.ID), k); err != nil {
		return nil, err
	}
	return d.shift(k.ID)
}

// shift returns a shift of ours, from memory or by reading its journal again.
func (d *Desk) shift(id string) (*shift, error) {
	unknown := refusal.New(refusal.NotFound, "SHIFT_UNKNOWN", "", "This scanning is not known on this workstation. "+
		"Begin it from the consignment's page.")
	if _, err := uuid.Parse(id); err != nil || len(id) != onceLength {
		return nil, unknown
	}
	d.bay.mu.Lock()
	defer d.bay.mu.Unlock()
	if s := d.bay.all[id]; s != nil {
		return s, nil
	}
	s := &shift{seals: map[string][]string{}}
	if found, err := d.kept.ReadJSON(shiftFile(id), &s.keptShift); err != nil || !found {
		return nil, cmp.Or[error](err, unknown)
	}
	switch s.Kind {
	case shiftScan:
		s.reader = &station.Scan{Door: s.Door, Balance: s.Balance, Judge: s.Judge, Unit: s.Unit, Air: s.Air}
	case shiftTake:
		s.reader = &station.Take{Consignment: s.Consignment, Due: s.Due}
	default:
		return nil, unknown
	}
	if err := d.readJournal(s); err != nil {
		return nil, err
	}
	if d.bay.all == nil {
		d.bay.all = map[string]*shift{}
	}
	d.bay.all[id] = s
	return s, nil
}

// readJournal brings a shift to where its journal ends. What a power cut left of a line that was never answered goes.
func (d *Desk) readJournal(s *shift) error {
	path := d.kept.Path(journalFile(s.ID))
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return station.NotKept(path, err)
	}
	fail := func(err error) error {
		_ = file.Close() // it says nothing more than the error that there is
		return err
	}
	text, err := station.ReadAll(file, path, maxJournal)
	if err != nil {
		return fail(err)
	}
	whole := text[:bytes.LastIndexByte(text, '\n')+1]
	lines := bufio.NewScanner(bytes.NewReader(whole))
	lines.Buffer(nil, maxKept)
	for lines.Scan() {
		var line keptLine
		if err := json.Unmarshal(lines.Bytes(), &line); err != nil || line.N != len(s.lines)+1 {
			return fail(refusal.New(refusal.Precondition, "SHIFT_DAMAGED", "",
				"What was scanned in this run cannot be read from line %d on. Everything that was signed is in the outbox; begin "+
					"anew from the consignment's page.", len(s.lines)+1))
		}
		verdicts, event, stop := s.reader.Line(line.Text)
		s.took(line, said{verdicts, stop}, event)
	}
	if err := lines.Err(); err != nil {
		return fail(err)
	}
	if err := file.Truncate(int64(len(whole))); err != nil {
		return fail(station.NotKept(path, err))
	}
	if _, err := file.Seek(int64(len(whole)), 0); err != nil {
		return fail(station.NotKept(path, err))
	}
	s.journal = file
	return d.recover(s)
}

const maxJournal = 64 << 20 // bytes

// recover puts the last event in the outbox if a crash came between the journal and that, and looks up what became of
// the others.
func (d *Desk) recover(s *shift) error {
	for i, bar := range s.bars {
		id, err := uuid.Parse(bar.ID)
		if err != nil {
			continue
		}
		item, found, err := d.find(id)
		if err != nil {
			return err
		}
		line := s.lines[bar.N-1]
		if !found && i == len(s.bars)-1 && bar.N == len(s.lines) {
			if item, err = d.station.Outbox().Put(proof.Signed{Event: line.Event, Signature: line.Signature}); err != nil {
				return err
			}
			found = true
			d.sender.changed()
		}
		if !found {
			bar.State, bar.Why = outbox.Refused, "It was refused, and dismissed from the outbox."
			continue
		}
		bar.became(item.State, receiptOf(item), item.Text)
	}
	return nil
}

// became says what became of a bar's event.
func (b *shiftBar) became(state outbox.State, receipt *pb.Receipt, why string) {
	b.State, b.Why = state, why
	if receipt != nil {
		b.Entry, b.Flags = receipt.GetSequence(), nil
		for _, d := range receipt.GetDiscrepancies() {
			flag := flagLine{Bar: b.called(), Text: capital(discrepancyWords(d)), ID: b.ID}
			if d.GetKind() == pb.DiscrepancyKind_DISCREPANCY_KIND_CONSIGNMENT_TOTAL { // found with its last bar
				flag.Bar = "The whole consignment"
			}
			b.Flags = append(b.Flags, flag)
		}
	}
}

// settle looks which of the bars that waited were answered. The caller holds mu.
func (s *shift) settle(d *Desk) {
	for _, bar := range s.bars {
		if bar.State != outbox.Waiting {
			continue
		}
		id, err := uuid.Parse(bar.ID)
		if err != nil {
			continue
		}
		if a, answered := d.sender.answered(id); answered && a.Err != nil {
			bar.became(outbox.Refused, nil, capital(plainWords(a.Err)))
		} else if answered {
			bar.became(outbox.Recorded, a.Receipt, "")
		}
	}
}

// answered returns the service's answer to an event, if it came in this run.
func (s *sender) answered(id uuid.UUID) (station.Answer, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	a, ok := s.answers[id]
	return a, ok
}

// took counts a line in.
func (s *shift) took(line keptLine, answer said, event *pb.BarReceived) {
	s.lines, s.answers = append(s.lines, line), append(s.answers, answer)
	scan, scans := s.reader.(*station.Scan)
	if scans {
		if box, seals := scan.Open(); box != "" {
			s.seals[box] = seals
		}
	}
	if event == nil {
		return
	}
	weight, _ := station.Judge(s.Judge, event.GetReadings())
	party := partyOf(s.Consignment)
	bar := &shiftBar{N: line.N, ID: line.ID, Bar: shortName(party, event.GetBar()), Box: shortName(party, event.GetBox()),
		Mass: weight.Mass.String(), State: outbox.Waiting}
	s.bars = append(s.bars, bar)
}

// errMixed is the answer to a line that does not follow the last one.
var errMixed = refusal.New(refusal.Aborted, "SCAN_OUT_OF_ORDER", "",
	"Another window has scanned into this run, so this scan was not taken. Close the other window, load this page "+
		"again, and scan it once more.")

// take takes a line. One that was taken already is not taken twice. The caller holds mu.
func (v *visit) take(s *shift, page string, n int, text string) error {
	if n >= 1 && n <= len(s.lines) && s.lines[n-1].Page == page && s.lines[n-1].Text == text {
		return nil
	}
	if n != len(s.lines)+1 {
		return errMixed
	}
	if len(text) > maxScanText || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return refusal.Invalidf("SCAN_MALFORMED", "text", "A scan has at most %d bytes, all of them visible. Nothing "+
			"of it was taken.", maxScanText)
	}
	if n > maxShiftLines {
		return refusal.New(refusal.Exhausted, "SHIFT_FULL", "", "%d lines were scanned in this run. Begin a new one from "+
			"the consignment's page.", maxShiftLines)
	}
	if err := v.d.trusted(); err != nil {
		return err
	}
	err := v.takeNext(s, keptLine{Page: page, N: n, Text: text, At: v.d.now()})
	if err != nil { // what is on the disk counts: it is read again with the next line
		v.d.closeShift(s)
	}
	return err
}

func (v *visit) takeNext(s *shift, line keptLine) error {
	verdicts, event, stop := s.reader.Line(line.Text)
	var signed proof.Signed
	if event != nil {
		enveloped, err := v.d.station.Envelope(v.ctx(), v.seat.key, event, "", s.Place)
		if err != nil {
			return err
		}
		raw, err := proto.Marshal(enveloped)
		if err != nil {
			return refusal.Invalidf("TEXT_MALFORMED", "text", "This scan is no text: %v. Nothing of it was taken.", err)
		}
		signed = proof.Sign(v.seat.key.Private(), raw)
		line.ID, line.Event, line.Signature = enveloped.GetEventId(), signed.Event, signed.Signature
	}
	text, err := json.Marshal(line)
	if err != nil {
		return err
	}
	_, err = s.journal.Write(append(text, '\n'))
	if err == nil {
		err = s.journal.Sync()
	}
	if err != nil {
		return station.NotKept(v.d.kept.Path(journalFile(s.ID)), err)
	}
	if event != nil {
		if _, err := v.d.station.Outbox().Put(signed); err != nil {
			return err
		}
		v.d.sender.changed()
	}
	s.took(line, said{verdicts, stop}, event)
	return nil
}

// closeShift forgets a shift in this process; its files stay. The caller holds its mu.
func (d *Desk) closeShift(s *shift) {
	d.bay.mu.Lock()
	defer d.bay.mu.Unlock()
	if d.bay.all[s.ID] == s {
		delete(d.bay.all, s.ID)
		s.closed = true
		_ = s.journal.Close() // every line of it was synced
	}
}

// closeShifts closes all of them.
func (d *Desk) closeShifts() {
	d.bay.mu.Lock()
	all := d.bay.all
	d.bay.all = nil
	d.bay.mu.Unlock()
	for _, s := range all {
		s.mu.Lock()
		s.closed = true
		_ = s.journal.Close() // every line of it was synced
		s.mu.Unlock()
	}
}

// shiftLine is a shift in a list.
type shiftLine struct {
	keptShift
	Signed bool // the boxes taken over in it are signed for
}

// openShifts lists a party's shifts of late, the latest first; of each consignment and kind the latest only.
func (d *Desk) openShifts(party string) (list []shiftLine) {
	entries, err := os.ReadDir(d.kept.Path("bay"))
	if err != nil {
		return nil // there are none
	}
	for _, e := range entries {
		id, ok := strings.CutSuffix(e.Name(), ".json")
		if !ok {
			continue
		}
		info, err := e.Info()
		if err != nil || d.now().Sub(info.ModTime()) > shiftLife {
			if err == nil && d.now().Sub(info.ModTime()) > keptLife {
				_ = os.Remove(d.kept.Path(journalFile(id))) // another time, if not now
				_ = os.Remove(d.kept.Path(shiftFile(id)))
			}
			continue
		}
		var k keptShift
		if found, err := d.kept.ReadJSON(shiftFile(id), &k); err != nil || !found || k.Party != party ||
			filepath.Base(k.ID) != id {
			continue
		}
		kept, _ := d.form(id)
		list = append(list, shiftLine{k, len(kept.Events) > 0})
	}
	slices.SortFunc(list, func(a, b shiftLine) int { return b.Begun.Compare(a.Begun) })
	seen := map[string]bool{}
	return slices.DeleteFunc(list, func(l shiftLine) bool {
		of := l.Kind + " " + l.Consignment
		again := seen[of] || l.Signed
		seen[of] = true
		return again
	})
}

// shiftsOf are the shifts of one consignment.
func (d *Desk) shiftsOf(party, consignment string) []shiftLine {
	return slices.DeleteFunc(d.openShifts(party), func(l shiftLine) bool { return l.Consignment != consignment })
}
