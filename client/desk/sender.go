package desk

import (
	"context"
	"errors"
	"net/http"
	"sync"
	"time"

	"github.com/google/uuid"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/identity"
)

// sender works in the background while somebody sits at the desk: it sends what waits in the outbox, has each receipt
// proven, looks at the log's checkpoint, and opens the sealed results that are due. A person signs and goes on; whether
// the link is up is the sender's affair, and the state bar's.
type sender struct {
	d    *Desk
	wake chan struct{}
	quit context.CancelFunc
	over chan struct{}

	held []station.Answer // recorded, and not proven yet; the sender's own

	counting sync.Mutex
	counted  int // day of the month on which what is recorded today was counted last

	mu      sync.Mutex
	link    link
	answers map[uuid.UUID]station.Answer // of this run, the latest maxAnswers
	order   []uuid.UUID
	news    chan struct{} // closed and made anew whenever something changes
}

// link is what the state bar shows.
type link struct {
	Known, Up bool      // not known before the first try after unlocking
	Since     time.Time // since when it is so
	Why       string    // why it is down
	Waiting   int       // events signed and not yet recorded
	Refused   int
	Recorded  int // today, by this desk's clock
	Size      uint64
	Checked   time.Time // when the log last showed that it only grew
	Alarm     string    // the log contradicts itself
}

func newSender(d *Desk) *sender {
	ctx, quit := context.WithCancel(context.Background())
	s := &sender{d: d, wake: make(chan struct{}, 1), quit: quit, over: make(chan struct{}),
		answers: map[uuid.UUID]station.Answer{}, news: make(chan struct{})}
	s.count()
	go s.run(ctx)
	return s
}

func (s *sender) stop() {
	s.quit()
	<-s.over
}

// changed wakes the sender: something was signed, or somebody came or went.
func (s *sender) changed() {
	select {
	case s.wake <- struct{}{}:
	default: // it is awake already
	}
}

func (s *sender) run(ctx context.Context) {
	defer close(s.over)
	for {
		s.d.watchIdle()
		pause := pauseUp
		if !s.d.station.Key().IsZero() {
			s.round(ctx)
			if now := s.now(); !now.Up {
				pause = pauseDown
			}
		} else {
			s.set(func(l *link) { l.Known, l.Up, l.Why = false, false, "" })
		}
		select {
		case <-ctx.Done():
			return
		case <-s.wake:
		case <-time.After(pause):
		}
	}
}

// round is one look: send, prove, watch, reveal.
func (s *sender) round(ctx context.Context) {
	var answers []station.Answer
	err := s.d.station.Flush(ctx, func(a station.Answer) { answers = append(answers, a) })
	s.file(s.proven(answers, err == nil))
	if err == nil {
		err = s.d.station.Advance(ctx)
	}
	if err == nil {
		err = s.d.reveal(ctx)
	}
	s.judge(err)
	s.countAll(len(answers) > 0)
	s.d.introduce(ctx)
	s.d.warm(ctx)
}

// proven returns the answers that may be told: refusals at once, and what is recorded once a whole flush went well,
// because then the log has shown that it holds them.
func (s *sender) proven(answers []station.Answer, well bool) (may []station.Answer) {
	for _, a := range answers {
		if a.Err == nil {
			s.held = append(s.held, a)
		} else {
			may = append(may, a)
		}
	}
	if well {
		may, s.held = append(may, s.held...), nil
	}
	return may
}

// judge turns the outcome of a try into the state of the link. A refusal is an answer: then the link is up.
func (s *sender) judge(err error) {
	var alarm *station.Untrusted
	now := s.d.now()
	s.set(func(l *link) {
		up := err == nil || !station.Unreachable(err)
		if !l.Known || l.Up != up {
			l.Known, l.Up, l.Since = true, up, now
		}
		l.Why = ""
		if err != nil {
			l.Why = plainWords(err)
		}
		if errors.As(err, &alarm) {
			l.Alarm = alarm.Error()
		}
		if seen, ok := s.d.station.Seen(); ok {
			l.Size = seen.Size
			if err == nil {
				l.Checked = now
			}
		}
	})
}

// file takes answers for those who wait for them.
func (s *sender) file(answers []station.Answer) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, a := range answers {
		if _, known := s.answers[a.Item.ID]; !known {
			s.order = append(s.order, a.Item.ID)
		}
		s.answers[a.Item.ID] = a
	}
	for len(s.order) > maxAnswers {
		delete(s.answers, s.order[0])
		s.order = s.order[1:]
	}
	if len(answers) > 0 {
		s.tell()
	}
}

// tell wakes whoever waits for news. The caller holds mu.
func (s *sender) tell() {
	close(s.news)
	s.news = make(chan struct{})
}

func (s *sender) set(change func(*link)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	before := s.link
	change(&s.link)
	if s.link != before {
		s.tell()
	}
}

func (s *sender) now() link {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.link
}

// count looks how many events stand where. What is recorded today grows long, so it is counted when something was.
func (s *sender) count() { s.countAll(true) }

func (s *sender) countAll(recordedToo bool) {
	s.counting.Lock()
	defer s.counting.Unlock()
	box := s.d.station.Outbox()
	number := func(state outbox.State, page outbox.Page) int {
		items, err := box.List(state, page)
		if err != nil {
			s.d.log.Warn("outbox not read", "error", err)
		}
		return len(items)
	}
	whole := outbox.Page{Size: outbox.MaxPage}
	waiting, refused := number(outbox.Waiting, whole), number(outbox.Refused, whole)
	y, m, day := s.d.now().Date()
	if recordedToo = recordedToo || day != s.counted; !recordedToo {
		s.set(func(l *link) { l.Waiting, l.Refused = waiting, refused })
		return
	}
	s.counted = day
	recorded := number(outbox.Recorded, outbox.Page{After: firstOf(time.Date(y, m, day, 0, 0, 0, 0, s.d.now().Location())),
		Size: outbox.MaxPage})
	s.set(func(l *link) { l.Waiting, l.Refused, l.Recorded = waiting, refused, recorded })
}

// firstOf returns an id that sorts before every UUIDv7 made at an instant or later: RFC 9562 puts the milliseconds
// since 1970 into its first 48 bits.
func firstOf(t time.Time) (id uuid.UUID) {
	ms := t.UnixMilli()
	for i := range 6 {
		id[i] = byte(ms >> (40 - 8*i))
	}
	return id
}

// await waits until every event was answered, the link is found to be down, or patience ends. It returns the answers
// that came, in the order of ids.
func (s *sender) await(ctx context.Context, ids []uuid.UUID) []station.Answer {
	s.changed()
	late := time.After(s.d.c.Patience)
	for {
		s.mu.Lock()
		var came []station.Answer
		for _, id := range ids {
			if a, ok := s.answers[id]; ok {
				came = append(came, a)
			}
		}
		down, news := s.link.Known && !s.link.Up, s.news
		s.mu.Unlock()
		if len(came) == len(ids) || down {
			return came
		}
		select {
		case <-ctx.Done():
			return came
		case <-late:
			return came
		case <-news:
		}
	}
}

// forget forgets the answer to an event that is to be sent again.
func (s *sender) forget(id uuid.UUID) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.answers, id)
}

// retryNow takes the link for unknown, so that whoever waits sees what a new try finds.
func (s *sender) retryNow() {
	s.set(func(l *link) { l.Known = false })
}

// find returns an event of the outbox, whatever its state.
func (d *Desk) find(id uuid.UUID) (outbox.Item, bool, error) {
	before := id
	for i := len(before) - 1; i >= 0; i-- { // the id just before, so that the page begins with this one
		before[i]--
		if before[i] != 0xff {
			break
		}
	}
	for _, state := range []outbox.State{outbox.Recorded, outbox.Refused, outbox.Waiting} {
		items, err := d.station.Outbox().List(state, outbox.Page{After: before, Size: 1})
		if err != nil {
			return outbox.Item{}, false, err
		}
		if len(items) == 1 && items[0].ID == id {
			return items[0], true, nil
		}
	}
	return outbox.Item{}, false, nil
}

// introduce learns who sits here once the link is there, if the service has not said yet.
func (d *Desk) introduce(ctx context.Context) {
	d.mu.Lock()
	s, met := d.seat, d.met
	d.mu.Unlock()
	if s == nil || met || !d.sender.now().Up {
		return
	}
	known, err := d.meet(ctx, s)
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.seat == s {
		d.seat, d.met = known, err == nil
	}
}

// warm looks, now and then, at what the rooms of who sits here need when the link is down, so that it is remembered.
func (d *Desk) warm(ctx context.Context) {
	d.mu.Lock()
	s, due := d.seat, d.met && d.now().Sub(d.warmed) > warmEvery
	if due {
		d.warmed = d.now()
	}
	d.mu.Unlock()
	if s == nil || !due || !d.sender.now().Up {
		return
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "/", nil)
	for _, room := range rooms() {
		if err == nil && room.warm != nil && room.open(s) {
			err = room.warm(&visit{d: d, r: r, seat: s, room: &room})
		}
	}
	if err != nil {
		d.log.Info("not all was remembered", "error", err)
	}
}

// reveal opens the sealed results that are due, for those who may.
func (d *Desk) reveal(ctx context.Context) error {
	d.mu.Lock()
	s := d.seat
	d.mu.Unlock()
	if s == nil || !s.May(identity.ResultRevealed) {
		return nil
	}
	return d.revealDue(ctx)
}

// revealDue signs and keeps the reveals that are due; the next round sends them.
func (d *Desk) revealDue(ctx context.Context) error {
	key := d.station.Key()
	due, err := d.station.DueReveals(ctx)
	for _, body := range due {
		event, wrong := d.station.Envelope(ctx, key, body, "", d.c.Place)
		if wrong == nil {
			_, wrong = d.station.Put(key, event)
		}
		if wrong != nil {
			return wrong
		}
		d.tell(flash{Kind: "notice", Text: "Both sides have sealed their results of " + body.GetLot() + ", so ours is opened now."})
		d.sender.changed()
	}
	return err
}
