package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"

	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/internal/custody"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type arrivalCmd struct {
	Scan    arrivalScan    `cmd:"" help:"Receive bars as fast as the hand moves: one line in, one line out." computes:"weighing" example:"barward arrival scan ottermere/C-7 --balance W2 --unit g"`
	Receive arrivalReceive `cmd:"" help:"Record one bar received." computes:"weighing" example:"barward arrival receive ottermere/C-7 --box B-3 --bar OT-0412 --seal SN-101 --balance W2 --reading '12441.3 g' --reading '12441.4 g'"`
	Status  arrivalStatus  `cmd:"" help:"What of a consignment is here, missing or extra." example:"barward arrival status ottermere/C-7"`
	List    listCmd        `cmd:"" help:"List consignments." thing:"consignment" example:"barward arrival list"`
	Show    showCmd        `cmd:"" help:"Show a consignment." thing:"consignment" example:"barward arrival show ottermere/C-7"`
}

type arrivalReceive struct {
	Consignment string   `arg:"" help:"Consignment."`
	Box         string   `required:"" help:"Box it was in."`
	Bar         string   `help:"Mark; not given where it cannot be read."`
	Seal        []string `help:"Seals of the box as you read them before opening."`
	Balance     string   `required:"" help:"Balance."`
	Reading     []string `required:"" help:"What it showed; at least two."`
	Unit        string   `help:"Unit of readings written without one."`
	Condition   string   `help:"Condition, if not sound."`
	airFlags    `embed:""`
}

// Run records the receipt.
func (c *arrivalReceive) Run(a *app) error {
	consignment, err := a.ref(c.Consignment)
	if err != nil {
		return err
	}
	balance, err := a.ref(c.Balance)
	if err != nil {
		return err
	}
	readings, err := massesOf(c.Reading, c.Unit)
	if err != nil {
		return refusal.In(err, "--reading")
	}
	return a.record(&pb.BarReceived{Consignment: consignment, Box: beside(consignment, c.Box),
		Bar: beside(consignment, c.Bar), Seals: c.Seal,
		Balance: balance, Readings: readings, Condition: c.Condition, Air: c.air()})
}

type arrivalStatus struct {
	Consignment string `arg:"" help:"Consignment."`
}

// Run sets the advice against what was received.
func (c *arrivalStatus) Run(a *app) error {
	if err := a.link(); err != nil {
		return err
	}
	consignment, err := a.ref(c.Consignment)
	if err != nil {
		return err
	}
	d, err := a.loadDoor(consignment)
	if err != nil {
		return err
	}
	return a.showArrival(d)
}

// door is what is advised and what has come through the door so far. It is kept in home, so that scanning can begin and
// go on without a link.
type door struct {
	Consignment string              `json:"consignment"`
	Advised     []custody.Box       `json:"advised"`
	Seals       map[string][]string `json:"seals"` // on record, by box
	Scans       []custody.Scan      `json:"scans"`

	boxOf map[string]string // advised box of each bar
	found map[string]bool   // bars that came
	boxes map[string]bool
	left  int
}

func doorFile(consignment string) string {
	return "arrivals/" + strings.ReplaceAll(consignment, "/", "+") + ".json"
}

// loadDoor asks the service; where it does not answer, what was kept last stands. What still waits in the outbox counts
// as come: the clerk scanned it.
func (a *app) loadDoor(consignment string) (*door, error) {
	d, err := a.askDoor(consignment)
	if unreachable(err) {
		d = &door{}
		found, broken := a.home.readJSON(doorFile(consignment), d)
		if broken != nil {
			return nil, broken
		}
		if !found {
			return nil, err
		}
		say(a.complain, "The service does not answer; the advice is as it was seen last.\n")
	} else if err != nil {
		return nil, err
	}
	d.index()
	waiting, err := a.box.Waiting(outbox.MaxPage)
	if err != nil {
		return nil, err
	}
	for _, item := range waiting {
		event := &pb.Event{}
		if err := proto.Unmarshal(item.Signed.Event, event); err != nil {
			continue // the service will say what is wrong with it
		}
		if r := event.GetBarReceived(); r.GetConsignment() == consignment && !d.found[r.GetBar()] {
			d.came(r.GetBox(), r.GetBar())
		}
	}
	return d, a.home.writeJSON(doorFile(consignment), d)
}

func (a *app) askDoor(consignment string) (*door, error) {
	thing, err := a.get(pb.ThingKind_THING_KIND_CONSIGNMENT, consignment)
	if err != nil {
		return nil, err
	}
	c := thing.GetConsignment()
	d := &door{Consignment: consignment, Seals: map[string][]string{}}
	advisedIn := map[string]string{}
	err = a.walk(pb.ThingKind_THING_KIND_BOX, fmt.Sprintf("consignment = %q", consignment), func(t *pb.Thing) bool {
		b := t.GetBox()
		d.Advised = append(d.Advised, custody.Box{ID: b.GetName(), Bars: b.GetBars()})
		d.Seals[b.GetName()] = b.GetSeals()
		for _, bar := range b.GetBars() {
			advisedIn[bar] = b.GetName()
		}
		return true
	})
	if err != nil {
		return nil, err
	}
	for _, bar := range append(c.GetReceived(), c.GetExtra()...) {
		// In which box it was found, the bar itself tells; asking for each would take a call a bar. The advised one stands.
		d.Scans = append(d.Scans, custody.Scan{Box: advisedIn[bar], Bar: bar})
	}
	return d, nil
}

// index makes the look-ups that answer a scan at once.
func (d *door) index() {
	d.boxOf, d.found, d.boxes = map[string]string{}, map[string]bool{}, map[string]bool{}
	for _, box := range d.Advised {
		d.boxes[box.ID] = true
		for _, bar := range box.Bars {
			d.boxOf[bar] = box.ID
			d.left++
		}
	}
	scans := d.Scans
	d.Scans = nil
	for _, s := range scans {
		d.came(s.Box, s.Bar)
	}
}

// came counts a bar in; an unreadable one has no mark to count by.
func (d *door) came(box, bar string) {
	d.Scans = append(d.Scans, custody.Scan{Box: box, Bar: bar})
	if bar == "" || d.found[bar] {
		return
	}
	d.found[bar] = true
	if _, advised := d.boxOf[bar]; advised {
		d.left--
	}
}

// tally sets the advice against the scans, by the rules of its room.
func (d *door) tally() (custody.Arrival, error) {
	var scans []custody.Scan
	for _, s := range d.Scans {
		if s.Box != "" || s.Bar != "" {
			scans = append(scans, s)
		}
	}
	return custody.Tally(d.Advised, scans)
}

func (a *app) showArrival(d *door) error {
	arrival, err := d.tally()
	if err != nil {
		return err
	}
	if a.g.Output == "json" {
		return a.showValue(arrival)
	}
	t := table{columns: []string{"result", "box", "bar", "note"}}
	for _, m := range arrival.MissingBars {
		t.add("MISSING", m.Box, m.Bar, "")
	}
	for _, m := range arrival.Misplaced {
		t.add("WRONG BOX", m.Found, m.Bar, "advised in "+m.Advised)
	}
	for _, x := range arrival.ExtraBars {
		t.add("NOT ADVISED", x.Box, x.Bar, "")
	}
	for _, x := range arrival.ExtraBoxes {
		t.add("NOT ADVISED", x, "", "a box")
	}
	if a.g.Output == "csv" {
		return a.showTable(t)
	}
	say(a.out, "%s: %d of %d bars received, %d remain\n", d.Consignment, arrival.Bars-arrival.RemainingBars(),
		arrival.Bars, arrival.RemainingBars())
	if len(t.rows) == 0 {
		say(a.out, "✓ nothing missing, nothing extra\n")
		return nil
	}
	return a.showTable(t)
}

type arrivalScan struct {
	Consignment string `arg:"" help:"Consignment."`
	Balance     string `required:"" help:"Balance the bars are weighed on."`
	Unit        string `help:"Unit of readings that come without one: g, kg, mg or oz."`
	File        string `help:"CSV: box, mark, seals, reading1, reading2, …, condition; a mark of ? cannot be read." type:"path"`
	airFlags    `embed:""`
}

// Help tells what may be scanned; it is printed with --help and before the first scan.
func (c *arrivalScan) Help() string {
	return `A line is a box number, with its seals behind it or on lines of their own (seal SN-101); then a bar's mark, with its
readings behind it or on lines of their own. Two readings that agree record the bar. Also:
"?" for a mark that cannot be read, "! dented" for a condition, "extra MARK" for a bar that is not on the advice, "keep" to
record readings that do not agree, "stop" to end. It can be stopped at any time and begun again.`
}

// Run scans until the input ends, somebody types stop or presses Ctrl-C. Each bar is in the outbox before its line is
// answered; sending goes on behind, so a slow link never slows the hand.
func (c *arrivalScan) Run(a *app) error {
	if err := a.link(); err != nil {
		return err
	}
	consignment, err := a.ref(c.Consignment)
	if err != nil {
		return err
	}
	balance, err := a.ref(c.Balance)
	if err != nil {
		return err
	}
	d, err := a.loadDoor(consignment)
	if err != nil {
		return err
	}
	s := &scan{door: d, balance: balance, unit: c.Unit, air: c.air()}
	if s.judge, err = a.balanceAtHand(balance); err != nil {
		say(a.complain, "The balance is not known here (%s), so readings are not judged now; the service will.\n",
			sentence(err))
	}
	var rows []row
	if c.File != "" {
		if rows, err = c.readScans(a, s); err != nil {
			return err
		}
	}
	m := &mate{app: a, door: d, wake: make(chan struct{}, 1), stopped: make(chan struct{}), shown: a.out}
	if a.g.Output != "table" {
		m.shown = a.complain // standard output is for what is read by programs
	}
	go m.sendBehind()
	if c.File != "" {
		err = m.scanRows(s, rows)
	} else {
		err = m.scanLines(s, c.Help())
	}
	close(m.wake)
	<-m.stopped
	a.ctx = context.WithoutCancel(a.ctx) // Ctrl-C ends the scanning, not the telling
	if err != nil {
		return err
	}
	if err := a.home.writeJSON(doorFile(consignment), d); err != nil {
		return err
	}
	stopped := a.flush(m.told)
	if err := a.showArrival(d); err != nil {
		return err
	}
	return m.finish(stopped)
}

// readScans reads and checks every row before the first is recorded.
func (c *arrivalScan) readScans(a *app, s *scan) ([]row, error) {
	rows, err := a.readRows(c.File, []string{"box", "mark", "reading1", "reading2"}, []string{"seals", "condition"})
	if err != nil {
		return nil, err
	}
	for i := range rows {
		if rows[i].readings, err = massesOf(rows[i].readings, c.Unit); err != nil {
			return nil, rows[i].wrong("reading", err)
		}
		if s.judge == nil {
			continue
		}
		if words, refused := readable(s.judge, rows[i].readings); refused {
			return nil, rows[i].wrong("reading", errors.New(words))
		}
	}
	return rows, nil
}

// mate sends behind the scanner's back and tells what the service found.
type mate struct {
	app     *app
	door    *door
	wake    chan struct{}
	stopped chan struct{}

	mu      sync.Mutex // of shown and answers
	shown   io.Writer
	answers []answer
}

func (m *mate) say(format string, args ...any) {
	m.mu.Lock()
	defer m.mu.Unlock()
	say(m.shown, format, args...)
}

// sendBehind sends whatever waits each time that it is woken. A link that is down is told once, and tried again with the
// next scan.
func (m *mate) sendBehind() {
	defer close(m.stopped)
	down := false
	for range m.wake {
		err := m.app.flush(m.told)
		switch {
		case m.app.ctx.Err() != nil: // stopped by hand: what waits is sent at the end
		case err != nil && !down:
			down = true
			m.say("… link down (%s); scans are kept in the outbox\n", sentence(err))
		case err == nil && down:
			down = false
			m.say("… link up again\n")
		}
	}
}

// told shows an answer only if there is something to do about it: the scan itself was answered before.
func (m *mate) told(to answer) {
	event := &pb.Event{}
	if err := proto.Unmarshal(to.item.Signed.Event, event); err != nil {
		to.err = errors.Join(to.err, err)
	}
	about := short(event.GetBarReceived().GetBar())
	if event.GetBarReceived() == nil {
		about = kindWords(event)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.answers = append(m.answers, to)
	if to.err != nil {
		say(m.shown, "✗ REFUSED       %s: %s\n", about, sentence(to.err))
	}
	for _, d := range to.receipt.GetDiscrepancies() {
		say(m.shown, "  ! %s: %s\n", about, printable(discrepancyLine(d)))
	}
}

// record puts a bar in the outbox and wakes the sender.
func (m *mate) record(event *pb.BarReceived) error {
	enveloped, err := m.app.envelope(event)
	if err != nil {
		return err
	}
	if _, err := m.app.put(enveloped); err != nil {
		return err
	}
	select {
	case m.wake <- struct{}{}:
	default:
	}
	return nil
}

func (m *mate) scanRows(s *scan, rows []row) error {
	for _, r := range rows {
		if m.app.ctx.Err() != nil {
			return nil
		}
		reply, event := s.row(r)
		if event != nil {
			if err := m.record(event); err != nil {
				return err
			}
		}
		m.say("%s\n", reply)
	}
	return nil
}

func (m *mate) scanLines(s *scan, help string) error {
	ctx, cancel := context.WithCancel(m.app.ctx)
	defer cancel()
	if _, sits := m.app.terminal(); sits {
		m.say("%s\n\n%s: %d bars remain. Scan a box.\n", help, s.door.Consignment, s.door.left)
	}
	type typed struct {
		text string
		err  error
	}
	lines := make(chan typed)
	go func() {
		for {
			text, err := m.app.readLine()
			select {
			case lines <- typed{text, err}:
			case <-ctx.Done():
				return
			}
			if err != nil {
				return
			}
		}
	}()
	for {
		select {
		case <-ctx.Done():
			return nil
		case line := <-lines:
			if line.err != nil {
				return endOfInput(line.err)
			}
			reply, event, stop := s.line(line.text)
			if event != nil {
				if err := m.record(event); err != nil {
					return err
				}
			}
			if reply != "" {
				m.say("%s\n", reply)
			}
			if stop {
				return nil
			}
		}
	}
}

// finish proves all receipts and says how it stands.
func (m *mate) finish(stopped error) error {
	a, recorded, refused := m.app, 0, 0
	for _, to := range m.answers {
		if to.err != nil {
			refused++
			continue
		}
		if err := a.prove(to.item.Signed, to.receipt); err != nil {
			return unproven(err)
		}
		recorded++
	}
	waiting, err := a.box.Waiting(outbox.MaxPage)
	if err != nil {
		return err
	}
	m.say("%d recorded and proven, %d refused, %d waiting\n", recorded, refused, len(waiting))
	switch {
	case len(waiting) > 0:
		return keptBecause(len(waiting), stopped)
	case stopped != nil:
		return stopped
	case refused > 0:
		return errTold
	}
	return nil
}
