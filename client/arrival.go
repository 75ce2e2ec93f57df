package main

import (
	"context"
	"errors"
	"io"
	"sync"

	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/client/station"
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
	readings, err := station.MassesOf(c.Reading, c.Unit)
	if err != nil {
		return refusal.In(err, "--reading")
	}
	return a.record(&pb.BarReceived{Consignment: consignment, Box: station.Beside(consignment, c.Box),
		Bar: station.Beside(consignment, c.Bar), Seals: c.Seal,
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
	d, err := a.station.Door(a.ctx, consignment)
	if err != nil {
		return err
	}
	return a.showArrival(d)
}

func (a *app) showArrival(d *station.Door) error {
	arrival, err := d.Tally()
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
	d, err := a.station.Door(a.ctx, consignment)
	if err != nil {
		return err
	}
	s := &station.Scan{Door: d, Balance: balance, Unit: c.Unit, Air: c.air()}
	if s.Judge, err = a.balance(balance); err != nil {
		say(a.complain, "The balance is not known here (%s), so readings are not judged now; the service will.\n",
			station.Sentence(err))
	}
	var rows []row
	if c.File != "" {
		if rows, err = c.readScans(a, s); err != nil {
			return err
		}
	}
	m := &mate{app: a, wake: make(chan struct{}, 1), stopped: make(chan struct{}), shown: a.out}
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
	if err := a.station.KeepDoor(d); err != nil {
		return err
	}
	stopped := a.station.Flush(a.ctx, m.told)
	if err := a.showArrival(d); err != nil {
		return err
	}
	return m.finish(stopped)
}

// readScans reads and checks every row before the first is recorded.
func (c *arrivalScan) readScans(a *app, s *station.Scan) ([]row, error) {
	rows, err := a.readRows(c.File, []string{"box", "mark", "reading1", "reading2"}, []string{"seals", "condition"})
	if err != nil {
		return nil, err
	}
	for i := range rows {
		if rows[i].readings, err = station.MassesOf(rows[i].readings, c.Unit); err != nil {
			return nil, rows[i].wrong("reading", err)
		}
		if s.Judge == nil {
			continue
		}
		if words, refused := station.Readable(s.Judge, rows[i].readings); refused {
			return nil, rows[i].wrong("reading", errors.New(words))
		}
	}
	return rows, nil
}

// mate sends behind the scanner's back and tells what the service found.
type mate struct {
	app     *app
	wake    chan struct{}
	stopped chan struct{}

	mu      sync.Mutex // of shown and answers
	shown   io.Writer
	answers []station.Answer
}

func (m *mate) say(format string, args ...any) {
	m.mu.Lock()
	defer m.mu.Unlock()
	say(m.shown, format, args...)
}

// sendBehind sends whatever waits each time that it is woken. A link that is down is told once, and tried again
// with the next scan.
func (m *mate) sendBehind() {
	defer close(m.stopped)
	down := false
	for range m.wake {
		err := m.app.station.Flush(m.app.ctx, m.told)
		var alarm *station.Untrusted
		switch {
		case errors.As(err, &alarm): // the whole of it is told at the end
			if !down {
				m.say("*** DO NOT RELY ON THIS LOG *** Stop scanning; what was scanned is kept in the outbox.\n")
			}
			down = true
		case m.app.ctx.Err() != nil: // stopped by hand: what waits is sent at the end
		case err != nil && !down:
			down = true
			m.say("… link down (%s); scans are kept in the outbox\n", station.Sentence(err))
		case err == nil && down:
			down = false
			m.say("… link up again\n")
		}
	}
}

// told shows an answer only if there is something to do about it: the scan itself was answered before.
func (m *mate) told(to station.Answer) {
	event := &pb.Event{}
	if err := proto.Unmarshal(to.Item.Signed.Event, event); err != nil {
		to.Err = errors.Join(to.Err, err)
	}
	about := station.Short(event.GetBarReceived().GetBar())
	if event.GetBarReceived() == nil {
		about = station.KindWords(event)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.answers = append(m.answers, to)
	if to.Err != nil {
		say(m.shown, "✗ REFUSED       %s: %s\n", about, station.Sentence(to.Err))
	}
	for _, d := range to.Receipt.GetDiscrepancies() {
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

func (m *mate) scanRows(s *station.Scan, rows []row) error {
	for _, r := range rows {
		if m.app.ctx.Err() != nil {
			return nil
		}
		reply, event := s.Row(station.Row{Box: r.cells["box"], Mark: r.cells["mark"], Condition: r.cells["condition"],
			Seals: several(r.cells["seals"]), Readings: r.readings})
		if event != nil {
			if err := m.record(event); err != nil {
				return err
			}
		}
		m.say("%s\n", reply)
	}
	return nil
}

func (m *mate) scanLines(s *station.Scan, help string) error {
	ctx, cancel := context.WithCancel(m.app.ctx)
	defer cancel()
	if _, sits := m.app.terminal(); sits {
		m.say("%s\n\n%s: %d bars remain. Scan a box.\n", help, s.Door.Consignment, s.Door.Left())
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
			answers, event, stop := s.Line(line.text)
			if event != nil {
				if err := m.record(event); err != nil {
					return err
				}
			}
			for _, answer := range answers {
				m.say("%s\n", answer)
			}
			if stop {
				return nil
			}
		}
	}
}

// finish says how it stands; what was recorded is proven, unless stopped says otherwise.
func (m *mate) finish(stopped error) error {
	a, recorded, refused := m.app, 0, 0
	for _, to := range m.answers {
		if to.Err != nil {
			refused++
		} else {
			recorded++
		}
	}
	err := a.standing(refused, stopped)
	var alarm *station.Untrusted
	var unproven *station.Unproven
	if errors.As(stopped, &alarm) || errors.As(stopped, &unproven) {
		return err
	}
	waiting, broken := a.box.Waiting(outbox.MaxPage)
	if broken != nil {
		return broken
	}
	m.say("%d recorded and proven, %d refused, %d waiting\n", recorded, refused, len(waiting))
	return err
}
