package desk

import (
	"context"
	"encoding/json"
	"html/template"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/custody"
	"barward/internal/identity"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// The scanning page has one field. What is typed into it is a line for package station, which answers; this file says
// the answer with a sign, a shape and words, and keeps the tables beside it current.

// beginShift begins a run of scanning, or of taking over, and goes to its page.
func (v *visit) beginShift() error {
	f := v.form()
	k := keptShift{Kind: f.Get("kind"), Party: v.seat.Party, By: v.seat.Person, Consignment: f.Get("consignment")}
	if _, _, ok := cutName(k.Consignment); !ok {
		return v.nowhere()
	}
	var err error
	switch {
	case k.Kind == shiftTake && v.seat.May(identity.Accepted):
		ctx, cancel := context.WithTimeout(v.ctx(), askPatience)
		defer cancel()
		k.From, k.Due, err = v.d.station.Due(ctx, k.Consignment, v.seat.Party)
	case k.Kind == shiftScan && v.seat.May(identity.BarReceived):
		if k.Balance, k.Unit = f.Get("balance"), f.Get("unit"); k.Balance == "" {
			return refusal.Invalidf("BALANCE_MISSING", "balance", "Choose the balance that the bars are weighed on. Your "+
				"administrator registers it once, from the type plate.")
		}
		k.Judge, k.Place = v.balanceKnown(k.Balance), v.siteOf(k.Balance)
		if k.Air, err = f.air(); err != nil {
			return err
		}
		if err = v.keepDoors(k.Consignment); err == nil {
			k.Door, err = v.door(k.Consignment)
		}
	default:
		return v.nowhere()
	}
	if err != nil {
		return err
	}
	s, err := v.d.newShift(k)
	if err != nil {
		return err
	}
	return v.redirect("/bay/shift/" + s.ID)
}

// air is the air as typed, or nil where nothing was; it is refused here, before it refuses every bar.
func (f *Form) air() (*pb.Air, error) {
	a := &pb.Air{TemperatureC: f.Get("temperature_c"), PressureHpa: f.Get("pressure_hpa"),
		HumidityPercent: f.Get("humidity_percent")}
	var figures [3]quantity.Decimal
	typed := 0
	for i, text := range []string{a.GetPressureHpa(), a.GetTemperatureC(), a.GetHumidityPercent()} {
		if text == "" {
			continue
		}
		var err error
		if figures[i], err = quantity.ParseDecimal(text); err != nil {
			return nil, refusal.Invalidf("AIR_MALFORMED", "temperature_c", "%s is no figure; write the air as plain figures, "+
				"such as 21.4, 1003.2 and 45.", refusal.Quote(text))
		}
		typed++
	}
	switch typed {
	case 0:
		return nil, nil
	case len(figures):
		_, err := weighing.MeasuredAir(figures[0].Shift(2), figures[1], figures[2]) // in pascals
		return a, err
	}
	return nil, refusal.Invalidf("AIR_INCOMPLETE", "temperature_c", "Give temperature, pressure and humidity of the air, "+
		"all three or none.")
}

// keepDoors remembers how far the runs before came, for a run that is begun while the link is down.
func (v *visit) keepDoors(consignment string) error {
	for _, l := range v.d.shiftsOf(v.seat.Party, consignment) {
		if l.Kind != shiftScan {
			continue
		}
		s, err := v.d.shift(l.ID)
		if err != nil { // what was signed in it is in the outbox all the same
			v.d.log.Warn("run not read", "run", l.ID, "error", err)
			continue
		}
		s.mu.Lock()
		err = v.d.station.KeepDoor(s.Door)
		s.mu.Unlock()
		if err != nil {
			return err
		}
	}
	return nil
}

// ourShift returns the shift of the address, if it is of this party.
func (v *visit) ourShift() (*shift, error) {
	s, err := v.d.shift(v.r.PathValue("id"))
	if err == nil && s.Party != v.seat.Party {
		err = refusal.New(refusal.NotFound, "SHIFT_UNKNOWN", "", "This scanning is of another party. Begin your own from "+
			"the consignment's page.")
	}
	return s, err
}

// lockShift is ourShift with its mu held.
func (v *visit) lockShift() (*shift, error) {
	for {
		s, err := v.ourShift()
		if err != nil {
			return nil, err
		}
		if s.mu.Lock(); !s.closed {
			return s, nil
		}
		s.mu.Unlock() // it was closed while we waited; it is read again
	}
}

// kindOfAnswer is the gravest sign among answers: good, note or wrong.
func kindOfAnswer(answers []station.Verdict) string {
	kind := "good"
	for _, a := range answers {
		switch {
		case a.Sign == station.Wrong:
			return "wrong"
		case a.Sign == station.Note:
			kind = "note"
		}
	}
	if len(answers) == 0 {
		return "note"
	}
	return kind
}

// called is what a bar is called on the page.
func (b *shiftBar) called() string {
	if b.Bar == "" {
		return "mark not readable"
	}
	return b.Bar
}

// heard is a line with its answer, as it is shown.
type heard struct {
	N    int
	Text string
	Kind string // good, note or wrong
	Word string // of the gravest answer
	Says []saying
}

type saying struct {
	Kind, Word, Text string
	Offer            []string // lines that may have been meant
}

func hear(line keptLine, answer said) heard {
	h := heard{N: line.N, Text: line.Text, Kind: kindOfAnswer(answer.verdicts), Word: "NOTHING"}
	if answer.stop {
		h.Word = "STOP"
	}
	for _, a := range answer.verdicts {
		says := saying{Kind: kindOfAnswer([]station.Verdict{a}), Word: a.Word, Text: capital(a.Text), Offer: a.Offer}
		h.Says = append(h.Says, says)
	}
	for _, s := range slices.Backward(h.Says) {
		if s.Kind == h.Kind {
			h.Word = s.Word
		}
	}
	return h
}

// boxRow is a box of the consignment at a glance.
type boxRow struct {
	Number        string
	Open          bool
	Came, Advised int
	Read          []string
	Seals         verdict
}

const maxLately = 6

// shiftView is what a scanning page shows.
type shiftView struct {
	Shift    keptShift
	Seen     Seen
	Form     *Form // of the signature, for boxes taken over
	Page     string
	Next     int
	Answer   *heard
	Lately   []heard
	Boxes    []boxRow
	Arrival  *arrivalView
	Remain   string   // in words
	Differ   []string // weights beyond the limit, in words
	Unread   []string // boxes that were left with a seal unread, in words
	Box      string   // that is open
	Bar      string   // on the balance
	OnIt     bool
	Readings []string
	Bars     []*shiftBar // the latest first
	Flagged  []flagLine
	Waits    int
	Balance  balanceLine
	Signed   bool
	Read     []*pb.BoxReading
}

// flagLine is something that the service found, or refused.
type flagLine struct {
	Bar, Text, ID string
	Refused       bool
}

const maxSignedShown = 60

// view makes what is shown of a shift. The caller holds mu.
func (v *visit) shiftView(s *shift) (*shiftView, error) {
	s.settle(v.d)
	p := &shiftView{Shift: s.keptShift, Next: len(s.lines) + 1}
	for i := len(s.lines) - 1; i >= 0 && len(p.Lately) < maxLately; i-- {
		p.Lately = append(p.Lately, hear(s.lines[i], s.answers[i]))
	}
	if len(p.Lately) > 0 {
		p.Answer, p.Lately = &p.Lately[0], p.Lately[1:]
	}
	for _, bar := range slices.Backward(s.bars) {
		if len(p.Bars) < maxSignedShown {
			p.Bars = append(p.Bars, bar)
		}
		if bar.State == outbox.Waiting {
			p.Waits++
		}
		if bar.State == outbox.Refused {
			p.Flagged = append(p.Flagged, flagLine{Bar: bar.called(), Text: "Refused: " + bar.Why, ID: bar.ID, Refused: true})
		}
		p.Flagged = append(p.Flagged, bar.Flags...)
	}
	var err error
	switch r := s.reader.(type) {
	case *station.Scan:
		err = p.scan(s, r)
	case *station.Take:
		p.take(r)
	}
	return p, err
}

func (p *shiftView) scan(s *shift, r *station.Scan) (err error) {
	if p.Arrival, err = arrivalOf(s.Door); err != nil {
		return err
	}
	p.Remain, p.Differ = remain(p.Arrival.Left, p.Arrival.Bars, "bar"), r.Differ()
	open, _ := r.Open()
	p.Box = painted(open)
	bar, readings, on := r.OnBalance()
	p.OnIt, p.Readings = on, readings
	if on {
		p.Bar = station.Short(bar)
	}
	for _, box := range s.Door.Advised {
		row := boxRow{Number: station.Short(box.ID), Open: box.ID == open, Advised: len(box.Bars), Read: s.seals[box.ID]}
		for _, bar := range box.Bars {
			if s.Door.Came(bar) {
				row.Came++
			}
		}
		row.Seals = sealsFound(s.Door.Seals[box.ID], row.Read, row.Came > 0)
		if differs := s.Door.DiffersFromPacking(box.ID, row.Read); row.Seals.Kind == "ok" && differs != "" {
			row.Seals = verdict{Kind: "open", Text: differs}
		}
		p.Boxes = append(p.Boxes, row)
	}
	return nil
}

// remain says how many of all remain; of a run that only begins, how many there are.
func remain(left, all int, what string) string {
	if left == all {
		return count(all, what) + " to be scanned"
	}
	return count(left, what) + " of " + strconv.Itoa(all) + " remain"
}

// painted is what is painted on a thing; no thing has nothing painted on it.
func painted(name string) string {
	if name == "" {
		return ""
	}
	return station.Short(name)
}

// sealsFound sets the seals of a box as read against the record, at a glance.
func sealsFound(on, read []string, opened bool) verdict {
	missing, unknown := custody.CompareSeals(on, read)
	switch {
	case len(read) == 0 && opened:
		return verdict{Kind: "no", Text: "opened, and no seal was read"}
	case len(read) == 0:
		return verdict{Kind: "open", Text: "not read yet"}
	case len(unknown) > 0:
		return verdict{Kind: "no", Text: strings.Join(unknown, " ") + " not on record"}
	case len(missing) > 0:
		return verdict{Kind: "open", Text: count(len(missing), "seal") + " not read yet"}
	}
	return verdict{Kind: "ok", Text: station.AllAgree(len(on))}
}

func (p *shiftView) take(r *station.Take) {
	p.Read = r.Readings()
	p.Remain, p.Unread = remain(len(r.Left()), len(r.Due), "box"), r.Unread()
	if open := r.Open(); open != nil {
		p.Box = painted(open.GetBox())
	}
	for _, d := range r.Due {
		row := boxRow{Number: station.Short(d.Box), Open: r.Open() != nil && r.Open().GetBox() == d.Box}
		at := slices.IndexFunc(p.Read, func(b *pb.BoxReading) bool { return b.GetBox() == d.Box })
		if at >= 0 {
			row.Came, row.Read = 1, p.Read[at].GetSeals()
		}
		row.Seals = sealsFound(d.Seals, row.Read, at >= 0)
		if at >= 0 && len(row.Read) == 0 {
			row.Seals = verdict{Kind: "no", Text: "here, and no seal was read"}
		}
		p.Boxes = append(p.Boxes, row)
	}
}

func (p *shiftView) template() string {
	if p.Shift.Kind == shiftTake {
		return "bay_take.html"
	}
	return "bay_scan.html"
}

// bayShift shows a scanning page.
func (v *visit) bayShift() error {
	return v.showShift(v.form())
}

func (v *visit) showShift(f *Form) error {
	s, err := v.lockShift()
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	p, err := v.shiftView(s)
	if err != nil {
		return err
	}
	p.Page, p.Form = uuid.NewString(), f
	title := "Receive " + s.Consignment
	if s.Kind == shiftTake {
		title = "Take over " + s.Consignment
		f.Once = s.ID // however often it is sent, it is signed once
		kept, _ := v.d.form(s.ID)
		p.Signed = len(kept.Events) > 0
	} else {
		balances, seen, err := v.balances()
		if err != nil && !station.Unreachable(err) {
			return err
		}
		p.Seen = seen
		for _, b := range balances {
			if b.Name == s.Balance {
				p.Balance = b
			}
		}
	}
	return v.show(p.template(), title, p)
}

// lineAnswer is the answer to a scan.
type lineAnswer struct {
	N     int                      `json:"n"`
	Lines int                      `json:"lines"` // how many were taken: an older answer must not replace a newer one
	Kind  string                   `json:"kind"`
	Flags int                      `json:"flags"` // how many things the service found so far
	Stop  bool                     `json:"stop,omitempty"`
	Mixed string                   `json:"mixed,omitempty"`
	Parts map[string]template.HTML `json:"parts"`
}

// bayLine takes a scan and answers it. It waits for nothing but the disk.
func (v *visit) bayLine() error {
	n, err := strconv.Atoi(v.r.PostForm.Get("n"))
	if err != nil {
		return v.nowhere()
	}
	text := strings.TrimSpace(v.r.PostForm.Get("text"))
	if text == "" && !v.live() {
		return v.redirect(v.r.URL.Path)
	}
	s, err := v.lockShift()
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	err = v.take(s, v.r.PostForm.Get("page"), n, text)
	switch {
	case !v.live() && err == nil:
		return v.redirect(v.r.URL.Path)
	case !v.live():
		return err
	case refusal.Is(err, errMixed.Reason):
		return v.answerLine(lineAnswer{N: n, Lines: len(s.lines), Kind: "wrong", Mixed: errMixed.Text})
	case err != nil:
		return err
	}
	a := lineAnswer{N: n, Kind: kindOfAnswer(s.answers[n-1].verdicts), Stop: s.answers[n-1].stop}
	return v.fill(s, a, "answer", "lately", "remain", "onbalance", "boxes", "tally", "found", "received")
}

// bayNews answers what the service found meanwhile.
func (v *visit) bayNews() error {
	s, err := v.lockShift()
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	return v.fill(s, lineAnswer{}, "remain", "found", "received")
}

// fill adds the parts of the page that changed. The caller holds mu.
func (v *visit) fill(s *shift, a lineAnswer, parts ...string) error {
	p, err := v.shiftView(s)
	if err != nil {
		return err
	}
	a.Lines, a.Flags, a.Parts = len(s.lines), len(p.Flagged), map[string]template.HTML{}
	for _, name := range parts {
		if v.d.looks.pages[p.template()].Lookup(name) == nil {
			continue
		}
		if a.Parts[name], err = v.part(p.template(), name, p); err != nil {
			return err
		}
	}
	return v.answerLine(a)
}

func (v *visit) answerLine(a lineAnswer) error {
	v.w.Header().Set("Content-Type", "application/json")
	return json.NewEncoder(v.w).Encode(a)
}
