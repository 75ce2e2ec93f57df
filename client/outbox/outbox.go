// Package outbox keeps signed events on the disk of a workstation until the log has recorded them.
//
// A gold room often has no link to the outside, and a receiving clerk scans faster than one. So each event is signed and
// put here first, and sent when it can be. What is put survives a crash and a power cut.
//
// An outbox is a folder:
//
//	waiting/ID.event    to be sent, in the order of their ids, which are UUIDv7 and so in the order of time
//	recorded/ID.event   the log has it; with the receipt
//	refused/ID.event    the log refused it; with the reason, until a person dismisses it or has it sent again
//	damaged/            files that could not be read, for a person to look at; nothing here is ever deleted
//	drafts/             files being written; after a crash they are rubbish
//	checkpoint          the last signed checkpoint that was accepted from the log
//	flush.lock, checkpoint.lock
//
// What it promises:
//
//  1. When Put returns, the event is on the disk. It is later in exactly one of the folders, whatever is interrupted.
//  2. An event that waits is sent until the log records or refuses it. It may be sent more than once, never recorded
//     more than once: the log knows it by its id.
//  3. The folder alone says in which state an event is, so each change of state is one rename.
//  4. A damaged file holds up nothing: it is moved aside and reported.
//
// The order is that of the ids. A workstation whose clock is set back makes ids that sort before those already waiting.
package outbox

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// State says where an event stands. It is the name of the folder that the event is in.
type State string

// The states.
const (
	Waiting  State = "waiting"
	Recorded State = "recorded"
	Refused  State = "refused"
)

const (
	draftsFolder  = "drafts"
	damagedFolder = "damaged"
	suffix        = ".event"
)

// Item is one event in the outbox.
type Item struct {
	ID      uuid.UUID
	State   State
	Signed  proof.Signed
	Receipt []byte // what the log answered, as the sender gave it; only if recorded
	Reason  string // stable reason of the last refusal; only if it was refused once
	Text    string // and its sentence
}

// Outbox is an open outbox. Its methods may be called by several goroutines and processes at once.
type Outbox struct {
	folder string

	mu      sync.Mutex // one change of state at a time in this process
	waiting int        // about how many wait; counted again before Put refuses
	most    int        // how many may; MaxWaiting but in tests

	// step, if tests set it, is called before and after each change on the disk. What it returns stops the work there.
	step func(point string) error
}

// Open opens the outbox in folder and makes it if there is none. It finishes what a crash interrupted, unless another
// process is flushing and will do so itself.
func Open(folder string) (*Outbox, error) {
	o := &Outbox{folder: folder, most: MaxWaiting}
	for _, name := range []string{string(Waiting), string(Recorded), string(Refused), damagedFolder, draftsFolder} {
		if err := os.MkdirAll(filepath.Join(folder, name), 0o700); err != nil {
			return nil, notWritten(err)
		}
	}
	if err := errors.Join(syncFolder(folder), syncFolder(filepath.Dir(filepath.Clean(folder)))); err != nil {
		return nil, notWritten(err)
	}
	o.clearDrafts()
	if unlock, _, err := o.take(); err == nil {
		unlock()
	} else if !refusal.Is(err, "OUTBOX_BUSY") {
		return nil, err
	}
	names, err := o.names(Waiting)
	if err != nil {
		return nil, err
	}
	o.waiting = len(names)
	return o, nil
}

// Put stores a signed event to be sent. Put again, it changes nothing and returns the item as it stands now, so after an
// error the same event may simply be put again. Reasons: those of proof.Open, EVENT_ID_TAKEN (another event has this
// id), OUTBOX_FULL, OUTBOX_NOT_WRITTEN.
func (o *Outbox) Put(signed proof.Signed) (Item, error) {
	envelope, err := proof.Open(signed)
	if err != nil {
		return Item{}, err
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	item := Item{ID: envelope.ID, State: Waiting, Signed: signed}
	for attempt := 0; attempt < 3; attempt++ {
		there, found, err := o.find(envelope.ID)
		if err != nil {
			return Item{}, err
		}
		if found && !bytes.Equal(there.Signed.Event, signed.Event) {
			return Item{}, refusal.New(refusal.Exists, "EVENT_ID_TAKEN", "event_id",
				"Another event with the id %s is in the outbox (%s). Make the event again with a new id.",
				envelope.ID, there.State).With("event_id", envelope.ID.String()).With("state", string(there.State))
		}
		if found {
			return there, nil
		}
		if o.waiting >= o.most {
			names, err := o.names(Waiting)
			if err != nil {
				return Item{}, err
			}
			if o.waiting = len(names); o.waiting >= o.most {
				return Item{}, refusal.New(refusal.Exhausted, "OUTBOX_FULL", "",
					"%d events wait to be sent, and no more than %d may. Restore the link and flush the outbox.",
					o.waiting, o.most)
			}
		}
		err = o.write(item, true)
		if errors.Is(err, fs.ErrExist) {
			continue // another process put it since we looked
		}
		if err != nil {
			return Item{}, err
		}
		o.waiting++
		return item, nil
	}
	return Item{}, notWritten(fs.ErrExist)
}

// Page asks for items after an id, the zero id for the first page; Size is 1 to MaxPage.
type Page struct {
	After uuid.UUID
	Size  int
}

// List returns the items in a state in the order of their ids. Damaged files are moved aside and left out; see Damaged.
func (o *Outbox) List(state State, page Page) ([]Item, error) {
	if state != Waiting && state != Recorded && state != Refused {
		return nil, refusal.Invalidf("STATE_UNKNOWN", "state", "%.40q is not a state; the states are %s, %s and %s.",
			string(state), Waiting, Recorded, Refused)
	}
	if page.Size < 1 || page.Size > MaxPage {
		return nil, refusal.Invalidf("PAGE_SIZE", "page_size", "A page has 1 to %d items; found %d.", MaxPage, page.Size)
	}
	names, err := o.names(state)
	if err != nil {
		return nil, err
	}
	var items []Item
	after := page.After.String() + suffix
	for _, name := range names {
		if len(items) == page.Size {
			break
		}
		if page.After != uuid.Nil && name <= after {
			continue
		}
		item, found, _, err := o.load(state, name)
		if err != nil {
			return nil, err
		}
		if found {
			items = append(items, item)
		}
	}
	return items, nil
}

// Waiting returns the first events to be sent, at most limit (1 to MaxPage).
func (o *Outbox) Waiting(limit int) ([]Item, error) { return o.List(Waiting, Page{Size: limit}) }

// Recorded files an event as recorded, with the receipt that the log gave. Filed again, it keeps the first receipt.
// Reasons: EVENT_NOT_IN_OUTBOX, RECEIPT_TOO_LARGE, OUTBOX_NOT_WRITTEN.
func (o *Outbox) Recorded(id uuid.UUID, receipt []byte) error {
	if len(receipt) > MaxReceipt {
		return refusal.Invalidf("RECEIPT_TOO_LARGE", "receipt", "The receipt has %d bytes, at most %d are allowed.",
			len(receipt), MaxReceipt)
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	item, err := o.get(id)
	if err != nil {
		return err
	}
	if item.State == Recorded {
		// Two processes that put one event can leave it waiting again after it was recorded. It must go, or a flush would
		// send it for ever.
		return o.clearBefore(id, Recorded)
	}
	item.Receipt, item.Reason, item.Text = receipt, "", ""
	return o.moveTo(item, Recorded)
}

// Refused files an event as refused, with the stable reason and the sentence that say why. An event that the log has
// recorded cannot be filed so (EVENT_ALREADY_RECORDED).
func (o *Outbox) Refused(id uuid.UUID, reason, text string) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	item, err := o.get(id)
	if err != nil {
		return err
	}
	if item.State == Recorded {
		return refusal.New(refusal.Precondition, "EVENT_ALREADY_RECORDED", "",
			"The event %s is recorded and cannot be filed as refused. Keep its receipt.", id).About(id.String())
	}
	item.Reason, item.Text = cut(reason, maxReason), cut(text, maxText)
	return o.moveTo(item, Refused)
}

// Retry has a refused event sent again, after somebody has mended what it was refused for.
func (o *Outbox) Retry(id uuid.UUID) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if item, err := o.get(id); err != nil {
		return err
	} else if item.State != Refused {
		return notRefused(item)
	}
	err := o.change("rename", func() error { return os.Rename(o.path(Refused, id), o.path(Waiting, id)) })
	if err == nil {
		err = errors.Join(syncFolder(o.sub(Waiting)), syncFolder(o.sub(Refused)))
	}
	if err != nil {
		return notWritten(err)
	}
	o.waiting++
	return nil
}

// Dismiss deletes an event that was refused, or the local copy of one that is recorded. One that waits cannot be
// dismissed (EVENT_STILL_WAITING): it may have been sent already.
func (o *Outbox) Dismiss(id uuid.UUID) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	item, err := o.get(id)
	if err != nil {
		return err
	}
	if item.State == Waiting {
		return refusal.New(refusal.Precondition, "EVENT_STILL_WAITING", "",
			"The event %s waits to be sent and may have been sent already. Flush the outbox; if it is recorded wrongly, "+
				"correct it.", id).About(id.String())
	}
	// A crash may have left a copy in waiting; deleted second, it would be sent after all.
	err = o.change("dismiss", func() error {
		if err := removeIfThere(o.path(Waiting, id)); err != nil {
			return err
		}
		if err := syncFolder(o.sub(Waiting)); err != nil {
			return err
		}
		return removeIfThere(o.path(item.State, id))
	})
	if err == nil {
		err = syncFolder(o.sub(item.State))
	}
	if err != nil {
		return notWritten(err)
	}
	return nil
}

// Report is what a flush did.
type Report struct {
	Recorded int
	Refused  int
	Damaged  []Damage  // moved aside by this flush
	Stopped  error     // why the rest still waits: the link, or the context; nil if nothing waits
	At       uuid.UUID // the event at which it stopped, zero if none
}

// Send sends one event and returns the receipt of the log, or why there is none.
type Send func(ctx context.Context, item Item) (receipt []byte, err error)

// Flush sends what waits, one event after the other in the order of ids, until nothing waits or the link fails.
//
// An error of send is judged by what the sender should do next. A refusal of the event itself files it as refused and the
// flush goes on. Anything else (no refusal at all, the service unavailable, a rate exceeded, a token or key not accepted,
// an error inside the service) says nothing about the event: it stays first in the queue, and Report.Stopped says why.
//
// If the program dies between the answer of the log and its filing, the event is sent again, and the log gives the same
// receipt. Flush itself fails only where the outbox does: OUTBOX_BUSY if another process flushes, OUTBOX_NOT_WRITTEN.
func (o *Outbox) Flush(ctx context.Context, send Send) (Report, error) {
	var report Report
	unlock, damaged, err := o.take()
	report.Damaged = damaged
	if err != nil {
		return report, err
	}
	defer unlock()
	for {
		names, err := o.names(Waiting)
		if err != nil || len(names) == 0 {
			return report, err
		}
		for _, name := range names {
			if report.Stopped = ctx.Err(); report.Stopped != nil {
				return report, nil
			}
			item, found, damage, err := o.load(Waiting, name)
			if err != nil {
				return report, err
			}
			if damage != nil {
				report.Damaged = append(report.Damaged, *damage)
			}
			if !found {
				continue
			}
			receipt, err := send(ctx, item)
			if stop := o.at("answered"); stop != nil {
				return report, stop
			}
			switch {
			case err == nil:
				if err := o.Recorded(item.ID, receipt); err != nil {
					return report, err
				}
				report.Recorded++
			case IsVerdict(err):
				r := refusal.As(err)
				if err := o.Refused(item.ID, r.Reason, r.Error()); err != nil {
					return report, err
				}
				report.Refused++
			default:
				report.Stopped, report.At = err, item.ID
				return report, nil
			}
		}
	}
}

// Lock keeps others from flushing until unlock is called or the process ends. It is for a sender that does not use Flush,
// because it sends several events before the first is answered: that one takes the lock, sends what is waiting in its
// order, and files each answer by Recorded or, if IsVerdict, by Refused. Reason: OUTBOX_BUSY.
func (o *Outbox) Lock() (unlock func(), err error) {
	unlock, _, err = o.take()
	return unlock, err
}

// take locks, and finishes what an interrupted holder of the lock began.
func (o *Outbox) take() (unlock func(), damaged []Damage, err error) {
	unlock, err = lock(filepath.Join(o.folder, "flush.lock"), false)
	if errors.Is(err, errLocked) {
		return nil, nil, refusal.New(refusal.Precondition, "OUTBOX_BUSY", "",
			"Another program is sending from this outbox. Let it finish; what waits will be sent by it.")
	}
	if err != nil {
		return nil, nil, notWritten(err)
	}
	damaged, err = o.settle()
	if err != nil {
		unlock()
		return nil, damaged, err
	}
	return unlock, damaged, nil
}

// IsVerdict reports whether err is the log's verdict on the event itself, which sending it again would not change.
func IsVerdict(err error) bool {
	r := refusal.As(err)
	if r == nil {
		return false
	}
	switch r.Kind {
	case refusal.Invalid, refusal.Precondition, refusal.Aborted, refusal.Exists, refusal.NotFound, refusal.OutOfRange,
		refusal.Forbidden:
		return true
	default: // Unauthenticated, Exhausted, Unavailable, Internal, DataLoss: about the call or the service
		return false
	}
}

// get finds an event, or refuses.
func (o *Outbox) get(id uuid.UUID) (Item, error) {
	item, found, err := o.find(id)
	if err == nil && !found {
		err = refusal.New(refusal.NotFound, "EVENT_NOT_IN_OUTBOX", "",
			"The outbox has no event %s. List it to see what it has.", id).About(id.String())
	}
	return item, err
}

// find looks for an event. Where a crash left it in two folders the later state counts, as settle will make it.
func (o *Outbox) find(id uuid.UUID) (Item, bool, error) {
	for _, state := range []State{Recorded, Refused, Waiting} {
		item, found, _, err := o.load(state, id.String()+suffix)
		if err != nil || found {
			return item, found, err
		}
	}
	return Item{}, false, nil
}

// moveTo writes item into the folder of a later state, then deletes it from the others. Between the two it is in both.
func (o *Outbox) moveTo(item Item, state State) error {
	item.State = state
	if err := o.write(item, false); err != nil {
		return err
	}
	return o.clearBefore(item.ID, state)
}

// clearBefore deletes an event that is in state from the folders of earlier states.
func (o *Outbox) clearBefore(id uuid.UUID, state State) error {
	for _, earlier := range []State{Waiting, Refused} {
		if earlier == state {
			continue
		}
		path := o.path(earlier, id)
		if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
			continue
		}
		// Not synced: should the name come back after a power cut, settle deletes it again.
		if err := o.change("remove", func() error { return removeIfThere(path) }); err != nil {
			return notWritten(err)
		}
		if earlier == Waiting && o.waiting > 0 {
			o.waiting--
		}
	}
	return nil
}

// settle finishes moves that were interrupted: what is in a later folder as well is deleted from the earlier one. It
// believes a later folder only after reading the file there. The caller holds the flush lock.
func (o *Outbox) settle() ([]Damage, error) {
	var damaged []Damage
	for _, move := range []struct{ earlier, later State }{{Refused, Recorded}, {Waiting, Recorded}, {Waiting, Refused}} {
		names, err := o.names(move.earlier)
		if err != nil {
			return damaged, err
		}
		for _, name := range names {
			_, found, damage, err := o.load(move.later, name)
			if err != nil {
				return damaged, err
			}
			if damage != nil {
				damaged = append(damaged, *damage)
			}
			if !found {
				continue
			}
			if err := removeIfThere(filepath.Join(o.sub(move.earlier), name)); err != nil {
				return damaged, notWritten(err)
			}
		}
	}
	return damaged, nil
}

// write puts an item into the folder of its state, on the disk before it returns. If fresh, it fails with fs.ErrExist if
// the name is taken.
func (o *Outbox) write(item Item, fresh bool) error {
	content := encode(item)
	var draft string
	err := o.change("draft", func() error {
		file, err := os.CreateTemp(filepath.Join(o.folder, draftsFolder), "*") // mode 0600
		if err != nil {
			return err
		}
		draft = file.Name()
		_, err = file.Write(content)
		return errors.Join(err, file.Sync(), file.Close())
	})
	if err == nil {
		err = o.change("name", func() error {
			if !fresh {
				return os.Rename(draft, o.path(item.State, item.ID))
			}
			if err := os.Link(draft, o.path(item.State, item.ID)); err != nil {
				return err
			}
			return os.Remove(draft)
		})
	}
	if err == nil {
		err = o.change("sync", func() error { return syncFolder(o.sub(item.State)) })
	}
	if err == nil {
		return nil
	}
	if draft != "" {
		_ = os.Remove(draft) // rubbish either way
	}
	if errors.Is(err, fs.ErrExist) {
		return err
	}
	return notWritten(err)
}

// load reads one file. A file that is gone is not found; one that cannot be read or does not hold what its name says is
// moved aside, reported, and not found either.
func (o *Outbox) load(state State, name string) (Item, bool, *Damage, error) {
	path := filepath.Join(o.sub(state), name)
	content, err := readFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Item{}, false, nil, nil
	case errors.Is(err, fs.ErrPermission):
		return Item{}, false, nil, refusal.New(refusal.Unavailable, "OUTBOX_NOT_READABLE", "",
			"The system does not let this program read its outbox. Run it as the user whom the outbox belongs to.").
			Because(err)
	}
	var item Item
	if err == nil {
		item, err = decode(content)
	}
	if err == nil && item.ID.String()+suffix != name {
		err = damaged("it holds another event than its name says")
	}
	if err == nil {
		item.State = state
		return item, true, nil, nil
	}
	damage, err := o.aside(state, name, err)
	return Item{}, false, damage, err
}

// names returns the file names in the folder of a state, in order.
func (o *Outbox) names(state State) ([]string, error) {
	folder, err := os.Open(o.sub(state))
	if err != nil {
		return nil, notWritten(err)
	}
	names, err := folder.Readdirnames(-1)
	if err := errors.Join(err, folder.Close()); err != nil {
		return nil, notWritten(err)
	}
	slices.Sort(names)
	return names, nil
}

func (o *Outbox) sub(state State) string { return filepath.Join(o.folder, string(state)) }

func (o *Outbox) path(state State, id uuid.UUID) string {
	return filepath.Join(o.sub(state), id.String()+suffix)
}

// change does one thing to the disk, with the tests' step before and after it.
func (o *Outbox) change(name string, do func() error) error {
	if err := o.at("before " + name); err != nil {
		return err
	}
	if err := do(); err != nil {
		return err
	}
	return o.at("after " + name)
}

func (o *Outbox) at(point string) error {
	if o.step == nil {
		return nil
	}
	return o.step(point)
}

// clearDrafts deletes what crashes left in drafts. A draft that is young may belong to a process that is writing it.
func (o *Outbox) clearDrafts() {
	folder := filepath.Join(o.folder, draftsFolder)
	entries, err := os.ReadDir(folder)
	if err != nil {
		return // nothing depends on it
	}
	for _, entry := range entries {
		if info, err := entry.Info(); err == nil && time.Since(info.ModTime()) > draftLife {
			_ = os.Remove(filepath.Join(folder, entry.Name()))
		}
	}
}

func readFile(path string) ([]byte, error) {
	info, err := os.Lstat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, damaged("it is not an ordinary file")
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	content, err := io.ReadAll(io.LimitReader(file, maxFile+1))
	return content, errors.Join(err, file.Close())
}

func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

func cut(text string, most int) string {
	text = strings.ToValidUTF8(text, "\uFFFD")
	if len(text) <= most {
		return text
	}
	const mark = "…"
	return strings.ToValidUTF8(text[:most-len(mark)], "") + mark
}

func notRefused(item Item) *refusal.Error {
	return refusal.New(refusal.Precondition, "EVENT_NOT_REFUSED", "",
		"The event %s is %s; only one that was refused can be sent again by hand.", item.ID, item.State).
		About(item.ID.String()).With("state", string(item.State))
}

func notWritten(cause error) *refusal.Error {
	return refusal.New(refusal.Unavailable, "OUTBOX_NOT_WRITTEN", "",
		"The outbox on this machine could not be written. See that its disk has room and the folder is yours, then do "+
			"the same again; nothing is recorded twice.").Because(cause)
}
