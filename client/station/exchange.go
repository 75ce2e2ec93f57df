package station

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/internal/assay"
	"barward/internal/identity"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// sealedResult is a result that waits in home for its reveal. Whoever reads it knows our assay before the other
// side may.
type sealedResult struct {
	Lot     string          `json:"lot"`
	Side    string          `json:"side"`
	Round   int32           `json:"round"`
	Results []sealedElement `json:"results"`
	Nonce   string          `json:"nonce"`
	// Key and Person are who sealed it: at a workstation that several people share, each reveals their own. Person is
	// empty where it was not known; a key that was rotated since is the same person's.
	Key    string `json:"key,omitempty"`
	Person string `json:"person,omitempty"`
}

type sealedElement struct {
	Element  string `json:"element"`
	Fineness string `json:"fineness"`
}

const (
	sealedFolder = "sealed"
	openedFolder = "sealed/revealed" // what is on record as revealed; kept, and looked through no more
)

func sealedName(lot string, round int32) string {
	return fmt.Sprintf("%s.round-%d.json", strings.ReplaceAll(lot, "/", "+"), round)
}

// SealedPath is the file in which the result of a lot, by its full name, is kept from Seal until its reveal.
func (s *Station) SealedPath(lot string, round int32) string {
	return s.home.Path(sealedFolder + "/" + sealedName(lot, round))
}

// Seal keeps a result on this machine (mode 0600, on the disk before it returns) and makes the commitment to it,
// to be recorded. The nonce is in that file only: without it the commitment can never be revealed. side is "" to
// have it found out: the lot's refiner owns it, the seller sold it. round is 1, more for a re-assay. Reasons:
// RESULT_SEALED_ALREADY, SIDE_UNKNOWN, HOME_NOT_WRITTEN and those of assay.CheckResults.
func (s *Station) Seal(ctx context.Context, lot string, side assay.Side, round int32,
	results []*pb.AssayResult) (*pb.ResultCommitted, error) {
	return s.seal(ctx, lot, side, round, results, false)
}

// SealAgain is Seal where the commitment made before was refused. The old file is kept beside the new one. It needs a
// link: where the record holds a commitment of this side already, the file that opens it must stay (ALREADY_COMMITTED).
func (s *Station) SealAgain(ctx context.Context, lot string, side assay.Side, round int32,
	results []*pb.AssayResult) (*pb.ResultCommitted, error) {
	return s.seal(ctx, lot, side, round, results, true)
}

func (s *Station) seal(ctx context.Context, lot string, side assay.Side, round int32, results []*pb.AssayResult,
	again bool) (*pb.ResultCommitted, error) {
	key, err := s.Unlocked()
	if err != nil {
		return nil, err
	}
	if lot, err = s.Ref(ctx, lot); err != nil {
		return nil, err
	}
	if side == "" {
		if side, err = s.side(ctx, lot); err != nil {
			return nil, err
		}
	}
	pure, err := PureResults(results)
	if err != nil {
		return nil, err
	}
	name := sealedFolder + "/" + sealedName(lot, round)
	before, taken, err := s.home.Read(name)
	if err != nil {
		return nil, err
	}
	if !taken {
		_, taken, err = s.home.Read(openedFolder + "/" + sealedName(lot, round))
	}
	switch {
	case err != nil:
		return nil, err
	case taken && !again:
		return nil, sealedAlready(lot, round, s.home.Path(name))
	case again:
		if err := s.notCommitted(ctx, lot, side, round); err != nil {
			return nil, err
		}
		if before != nil {
			if err := s.home.Write(name+"."+s.config.Now().UTC().Format("20060102T150405.000"), before); err != nil {
				return nil, err
			}
		}
	}
	var nonce [32]byte
	if _, err := rand.Read(nonce[:]); err != nil {
		return nil, err
	}
	commitment := assay.Commit(lot, side, int(round), pure, nonce)
	event := &pb.ResultCommitted{Lot: lot, Round: round, Commitment: commitment[:]}
	sealed := sealedResult{Lot: lot, Side: string(side), Round: round, Nonce: hex.EncodeToString(nonce[:]),
		Key: string(key.ID())}
	if _, person, err := s.Identify(ctx); err == nil {
		sealed.Person = person
	}
	for _, r := range results {
		event.Elements = append(event.Elements, r.GetElement())
		sealed.Results = append(sealed.Results, sealedElement{r.GetElement(), r.GetFineness()})
	}
	text, err := json.MarshalIndent(sealed, "", "  ")
	if err != nil {
		return nil, err
	}
	if again {
		return event, s.home.Write(name, append(text, '\n'))
	}
	err = s.home.WriteNew(name, append(text, '\n'))
	if errors.Is(err, fs.ErrExist) {
		return nil, sealedAlready(lot, round, s.home.Path(name)) // by another command, since we looked
	}
	return event, err
}

func sealedAlready(lot string, round int32, path string) error {
	return refusal.New(refusal.Exists, "RESULT_SEALED_ALREADY", "--again",
		"A result of lot %s for round %d is sealed in %s. A commitment cannot be changed: reveal it. If it was refused, "+
			"give --again.",
		lot, round, path)
}

// notCommitted refuses where the record holds a commitment of this side already. Without a link nobody can tell, and
// nothing is replaced.
func (s *Station) notCommitted(ctx context.Context, lot string, side assay.Side, round int32) error {
	thing, err := s.Get(ctx, pb.ThingKind_THING_KIND_LOT, lot)
	if err != nil {
		return err
	}
	if entry, done := stepOf(thing.GetLot(), assay.StepCommitted, string(side), round); done {
		return refusal.New(refusal.Precondition, "ALREADY_COMMITTED", "--again",
			"The %s has committed to a result of lot %s in round %d (entry %d). The sealed file stays as it is, to be revealed.",
			side, lot, round, entry)
	}
	return nil
}

// stepOf finds the entry by which a side took a step of a round.
func stepOf(lot *pb.Lot, action assay.StepKind, side string, round int32) (uint64, bool) {
	for _, step := range lot.GetSteps() {
		if step.GetAction() == string(action) && step.GetSide() == side && max(step.GetRound(), 1) == max(round, 1) {
			return step.GetEntry(), true
		}
	}
	return 0, false
}

// side says for whom a result is.
func (s *Station) side(ctx context.Context, lot string) (assay.Side, error) {
	party, _, err := s.Identify(ctx)
	if err != nil {
		return "", err
	}
	thing, err := s.Get(ctx, pb.ThingKind_THING_KIND_LOT, lot)
	if err != nil {
		return "", err
	}
	switch party {
	case thing.GetLot().GetSeller():
		return assay.Seller, nil
	case thing.GetLot().GetParty():
		return assay.Refiner, nil
	}
	return "", refusal.New(refusal.Forbidden, "SIDE_UNKNOWN", "--side",
		"%s is neither the seller nor the refiner of lot %s.", party, lot)
}

// PureResults reads results, finenesses in parts per thousand, into the terms of the assay room and checks them there.
func PureResults(results []*pb.AssayResult) ([]assay.Result, error) {
	pure := make([]assay.Result, len(results))
	for i, r := range results {
		f, err := quantity.ParseFineness(r.GetFineness())
		if err != nil {
			return nil, err
		}
		pure[i] = assay.Result{Element: assay.Element(r.GetElement()), Fineness: f}
	}
	return pure, assay.CheckResults(pure)
}

// Reveal makes the event that opens exactly what was sealed. Nobody but this machine may see the result before the
// other side is bound, the service neither: so it is opened only when the log holds our commitment and the other
// side's, or the declaration that the other side is silent. Reasons: RESULT_NOT_SEALED, REVEALED_ALREADY,
// REVEAL_BEFORE_COMMITS, SEALED_DIFFERS, HOME_DAMAGED.
func (s *Station) Reveal(ctx context.Context, lot string, round int32) (*pb.ResultRevealed, error) {
	lot, err := s.Ref(ctx, lot)
	if err != nil {
		return nil, err
	}
	var sealed sealedResult
	found, err := s.home.ReadJSON(sealedFolder+"/"+sealedName(lot, round), &sealed)
	if err == nil && !found {
		found, err = s.home.ReadJSON(openedFolder+"/"+sealedName(lot, round), &sealed)
	}
	if err != nil {
		return nil, err
	}
	if !found {
		return nil, refusal.New(refusal.NotFound, "RESULT_NOT_SEALED", "",
			"No result of lot %s for round %d is sealed in %s. Reveal it where it was committed.",
			lot, round, s.SealedPath(lot, round))
	}
	thing, err := s.Get(ctx, pb.ThingKind_THING_KIND_LOT, lot)
	if err != nil {
		return nil, err
	}
	if entry, done := stepOf(thing.GetLot(), assay.StepRevealed, sealed.Side, round); done {
		return nil, refusal.New(refusal.Precondition, "REVEALED_ALREADY", "",
			"The result of lot %s for round %d is revealed already (entry %d).", lot, round, entry)
	}
	ours, err := s.bound(ctx, thing.GetLot(), sealed)
	if err != nil {
		return nil, err
	}
	if ours == nil {
		return nil, refusal.New(refusal.Precondition, "REVEAL_BEFORE_COMMITS", "",
			"The commitments of both sides to lot %s, round %d, are not on record yet. Reveal when they are; until then "+
				"nobody else may see the result.",
			lot, round)
	}
	return s.opening(sealed, ours)
}

// bound returns our commitment if the log itself, not only the service's word, holds it and what binds the other
// side: its commitment, which it cannot change any more, or the declaration that it is silent. Else nil.
func (s *Station) bound(ctx context.Context, lot *pb.Lot, sealed sealedResult) (*pb.ResultCommitted, error) {
	side := assay.Side(sealed.Side)
	ours, committed := stepOf(lot, assay.StepCommitted, sealed.Side, sealed.Round)
	theirs, answered := stepOf(lot, assay.StepCommitted, string(side.Other()), sealed.Round)
	silence, silent := uint64(0), false
	for _, step := range lot.GetSteps() {
		if step.GetAction() == string(assay.StepNotReported) && step.GetSide() == string(side.Other()) {
			silence, silent = step.GetEntry(), true
		}
	}
	if !committed || !answered && !silent {
		return nil, nil
	}
	of := func(e *pb.Event) bool {
		c := e.GetResultCommitted()
		return c.GetLot() == sealed.Lot && max(c.GetRound(), 1) == max(sealed.Round, 1)
	}
	mine, err := s.saysOf(ctx, ours, of)
	if err != nil {
		return nil, err
	}
	if answered {
		_, err = s.saysOf(ctx, theirs, func(e *pb.Event) bool {
			return of(e) && !bytes.Equal(e.GetAuthorKey(), mine.GetAuthorKey())
		})
	} else {
		_, err = s.saysOf(ctx, silence, func(e *pb.Event) bool { return e.GetSilenceDeclared().GetLot() == sealed.Lot })
	}
	return mine.GetResultCommitted(), err
}

// saysOf checks an entry in the log for what the service says that it is. Where it is something else, the service
// lied to have a sealed result opened.
func (s *Station) saysOf(ctx context.Context, entry uint64, what func(*pb.Event) bool) (*pb.Event, error) {
	e, err := s.Entry(ctx, entry)
	if err != nil {
		return nil, err
	}
	if !what(e.GetEvent()) {
		return nil, s.Accuse(e, fmt.Errorf("entry %d is not the step of the exchange that the service says it is", entry))
	}
	return e.GetEvent(), nil
}

// opening makes the event, once the sealed file is seen to hold what was committed: a result that was altered here
// would be refused, stand as evidence against us, and show the altered figure.
func (s *Station) opening(sealed sealedResult, ours *pb.ResultCommitted) (*pb.ResultRevealed, error) {
	differs := func(why error) error {
		return refusal.New(refusal.Precondition, "SEALED_DIFFERS", "",
			"%s does not hold what was committed (%v). Nothing was opened; restore the file from a backup.",
			s.SealedPath(sealed.Lot, sealed.Round), why).Because(why)
	}
	nonce, err := hex.DecodeString(sealed.Nonce)
	if err != nil || len(nonce) != 32 || len(ours.GetCommitment()) != 32 {
		return nil, differs(errors.New("it has no nonce of 32 bytes"))
	}
	event := &pb.ResultRevealed{Lot: sealed.Lot, Round: sealed.Round, Nonce: nonce}
	for _, r := range sealed.Results {
		event.Results = append(event.Results, &pb.AssayResult{Element: r.Element, Fineness: r.Fineness})
	}
	pure, err := PureResults(event.GetResults())
	if err == nil {
		err = assay.VerifyReveal([32]byte(ours.GetCommitment()), sealed.Lot, assay.Side(sealed.Side), int(sealed.Round),
			pure, [32]byte(nonce))
	}
	if err != nil {
		return nil, differs(err)
	}
	return event, nil
}

// DueReveals returns the reveals that are due by the person whose key is in use: the log holds the commitments of both
// sides (or that the other is silent), ours is sealed here and not on record as revealed, and no reveal of it is in the
// outbox already. Record what it returns, also where an error says that one file cannot be opened: that error is about
// that file alone. It costs one call for each result that is sealed here.
func (s *Station) DueReveals(ctx context.Context) ([]*pb.ResultRevealed, error) {
	waiting, err := s.Sealed()
	if err != nil || len(waiting) == 0 {
		return nil, err
	}
	key, err := s.Unlocked()
	if err != nil {
		return nil, err
	}
	var due []*pb.ResultRevealed
	var broken error
	for _, name := range waiting {
		var sealed sealedResult
		found, err := s.home.ReadJSON(sealedFolder+"/"+name, &sealed)
		if err != nil {
			return due, err
		}
		if !found || !s.sealedBy(ctx, sealed, key) {
			continue
		}
		event, err := s.dueReveal(ctx, sealed)
		var alarm *Untrusted
		switch {
		case errors.As(err, &alarm) || Unreachable(err):
			return nil, err
		case err != nil && broken == nil: // of this lot; the others are opened all the same
			broken = err
		case event != nil:
			due = append(due, event)
		}
	}
	return due, broken
}

// Sealed lists the files in home whose results are not on record as revealed, at most 1000. It needs neither key
// nor link.
func (s *Station) Sealed() ([]string, error) {
	files, err := os.ReadDir(s.home.Path(sealedFolder))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, NotKept(s.home.Path(sealedFolder), err)
	}
	var names []string
	for _, file := range files {
		if !file.IsDir() && strings.HasSuffix(file.Name(), ".json") && len(names) < maxSealed {
			names = append(names, file.Name())
		}
	}
	return names, nil
}

// RevealDue records the reveals that are due, at a time and place as in Envelope, and sends them; told hears what
// became of them. It is for whoever has the link: it costs nothing where nothing is sealed.
func (s *Station) RevealDue(ctx context.Context, at, place string, told func(Answer)) error {
	due, broken := s.DueReveals(ctx)
	if len(due) == 0 {
		return broken
	}
	for _, body := range due {
		event, err := s.Envelope(ctx, s.Key(), body, at, place)
		if err != nil {
			return err
		}
		if _, err := s.Put(s.Key(), event); err != nil {
			return err
		}
	}
	if err := s.Flush(ctx, told); err != nil {
		return err
	}
	return broken
}

// sealedBy reports whether a result was sealed by whose key is in use.
func (s *Station) sealedBy(ctx context.Context, sealed sealedResult, key identity.Key) bool {
	if sealed.Key == "" || sealed.Key == string(key.ID()) {
		return true
	}
	_, person, err := s.Identify(ctx)
	return err == nil && person != "" && person == sealed.Person
}

// dueReveal returns the reveal of one sealed result, nil if it is not due.
func (s *Station) dueReveal(ctx context.Context, sealed sealedResult) (*pb.ResultRevealed, error) {
	thing, err := s.Get(ctx, pb.ThingKind_THING_KIND_LOT, sealed.Lot)
	if r := AsRefusal(err); r != nil && r.Kind == refusal.NotFound {
		return nil, nil // of another ledger, or not ours to see any more
	}
	if err != nil {
		return nil, err
	}
	lot := thing.GetLot()
	if _, done := stepOf(lot, assay.StepRevealed, sealed.Side, sealed.Round); done {
		return nil, s.revealed(sealed)
	}
	kept, err := s.revealKept(sealed)
	if err != nil || kept {
		return nil, err
	}
	ours, err := s.bound(ctx, lot, sealed)
	if err != nil || ours == nil {
		return nil, err
	}
	return s.opening(sealed, ours)
}

// revealed puts a sealed result aside once its reveal is on record.
func (s *Station) revealed(sealed sealedResult) error {
	name := sealedName(sealed.Lot, sealed.Round)
	if err := os.MkdirAll(s.home.Path(openedFolder), 0o700); err != nil {
		return NotKept(s.home.Path(openedFolder), err)
	}
	err := os.Rename(s.home.Path(sealedFolder+"/"+name), s.home.Path(openedFolder+"/"+name))
	if err != nil && !os.IsNotExist(err) { // another command did it meanwhile
		return NotKept(s.home.Path(openedFolder), err)
	}
	return nil
}

// revealKept reports whether a reveal of a sealed result waits in the outbox, or was refused: that one a person
// must see.
func (s *Station) revealKept(sealed sealedResult) (bool, error) {
	for _, state := range []outbox.State{outbox.Waiting, outbox.Refused} {
		for page := (outbox.Page{Size: outbox.MaxPage}); ; {
			items, err := s.box.List(state, page)
			if err != nil {
				return false, err
			}
			if slices.ContainsFunc(items, func(item outbox.Item) bool {
				event := &pb.Event{}
				if proto.Unmarshal(item.Signed.Event, event) != nil {
					return false
				}
				r := event.GetResultRevealed()
				return r != nil && r.GetLot() == sealed.Lot && max(r.GetRound(), 1) == max(sealed.Round, 1)
			}) {
				return true, nil
			}
			if len(items) < page.Size {
				break
			}
			page.After = items[len(items)-1].ID
		}
	}
	return false, nil
}
