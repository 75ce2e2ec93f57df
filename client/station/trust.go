package station

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/peer"
	"google.golang.org/protobuf/encoding/protojson"

	"barward/client/outbox"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// LogKeyFile is the file in home that holds the key of the log. The last checkpoint lies in the outbox.
const LogKeyFile = "log-key"

// trust is what this home knows of the log: its key, and the last checkpoint that it saw. Station.mu guards it.
type trust struct {
	opened   bool
	verifier proof.Verifier
	fresh    string            // a key that was given and is not kept yet
	last     *proof.Checkpoint // the last one seen
	note     []byte            // last, as the log signed it
	looked   bool              // last was fetched by this Station, not only remembered
	stale    bool              // answers came since it was fetched
	verified uint64            // number of the connection over which it was fetched
	alarm    *Untrusted        // once the log has contradicted itself, nothing more is asked of it
}

// Untrusted is the alarm: the log contradicts itself or what it gave us before. Evidence is the folder that holds both
// checkpoints, and the entry and receipt where it is about one; empty if there was nothing to keep.
type Untrusted struct {
	Cause    error
	Evidence string
}

// Error implements error.
func (u *Untrusted) Error() string {
	if u.Evidence == "" {
		return u.Cause.Error()
	}
	return fmt.Sprintf("%v\n  The evidence is kept in %s: what this machine saw before, and what it was shown now",
		u.Cause, u.Evidence)
}

// Unwrap returns why.
func (u *Untrusted) Unwrap() error { return u.Cause }

// pinned reads the key that is kept, or takes the one that was given, once. Two that differ are refused: a log has one
// key for ever, and a home one log.
func (s *Station) pinned() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := &s.trust
	if t.opened {
		return nil
	}
	given := s.config.LogKey
	if given != "" && !strings.Contains(given, "+") {
		file, err := ReadFile(given, proof.MaxNote)
		if err != nil {
			return refusal.In(err, "--log-key")
		}
		given = string(file)
	}
	given = strings.TrimSpace(given)
	kept, found, err := s.home.Read(LogKeyFile)
	if err != nil {
		return err
	}
	known := strings.TrimSpace(string(kept))
	switch {
	case !found && given == "":
		t.opened = true
		return nil
	case found && given != "" && known != given:
		return refusal.New(refusal.Precondition, "LOG_KEY_DIFFERS", "--log-key",
			"The key given is not the one kept in %s. Use one home for each log; a log that changed its key is another log.",
			s.home.Path(LogKeyFile))
	case !found:
		t.fresh, known = given, given
	}
	if err := t.pin(known, s.box); err != nil {
		return err
	}
	t.opened = true
	return nil
}

// pin takes a key as the log's and reads the last checkpoint with it.
func (t *trust) pin(text string, box *outbox.Outbox) error {
	verifier, err := proof.NewVerifier(text)
	if err != nil {
		return err
	}
	t.verifier = verifier
	return t.remembered(box)
}

// remembered reads the last checkpoint from home. One seen since by this Station is not given up for an older one.
func (t *trust) remembered(box *outbox.Outbox) error {
	signed, err := box.LoadCheckpoint()
	if err != nil || signed == nil {
		return err
	}
	last, err := proof.OpenCheckpoint(signed, t.verifier.Name(), t.verifier)
	if err != nil {
		return &Untrusted{Cause: fmt.Errorf("the checkpoint kept on this machine is not one of the log %s: %w",
			t.verifier.Name(), err)}
	}
	if t.last == nil || last.Size > t.last.Size {
		t.last, t.note = &last, signed
	}
	return nil
}

// origin names the log; empty while it is unknown.
func (s *Station) origin() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.trust.verifier == nil {
		return ""
	}
	return s.trust.verifier.Name()
}

// alarmed returns the alarm that was raised, if one was.
func (s *Station) alarmed() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.trust.alarm != nil {
		return s.trust.alarm
	}
	return nil
}

// holds reports whether the log was held to its word over this connection, and notes that an answer came over it.
func (s *Station) holds(connection uint64) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.trust.stale = true
	return s.trust.looked && s.trust.verified == connection
}

// Seen returns the last checkpoint seen, and false if there never was one.
func (s *Station) Seen() (proof.Checkpoint, bool) {
	if s.pinned() != nil {
		return proof.Checkpoint{}, false
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.trust.last == nil {
		return proof.Checkpoint{}, false
	}
	return *s.trust.last, true
}

// SeenNote returns the last checkpoint seen as the log signed it, nil if there never was one.
func (s *Station) SeenNote() []byte {
	if _, ok := s.Seen(); !ok {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return bytes.Clone(s.trust.note)
}

// Advance fetches the checkpoint and holds the log to its word: it must show that it continues what was seen last.
// What was seen last is read before the service is asked: another command on this machine may move it on in
// between, and that would look like a log that went back. A log that fails is reported as *Untrusted.
func (s *Station) Advance(ctx context.Context) error {
	conn, err := s.Link()
	if err != nil {
		return err
	}
	s.advancing.Lock()
	defer s.advancing.Unlock()
	before, err := s.before()
	if err != nil {
		return err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	ledger := pb.NewLedgerServiceClient(conn)
	var from peer.Peer
	answer, err := ledger.GetCheckpoint(ctx, &pb.GetCheckpointRequest{}, grpc.Peer(&from))
	if err != nil {
		return err
	}
	signed := []byte(answer.GetCheckpoint())
	if s.origin() == "" {
		if err := s.firstUse(answer.GetLogPublicKey()); err != nil {
			return err
		}
		if before, err = s.before(); err != nil { // a home may have lost the key and kept the checkpoint
			return err
		}
	}
	s.mu.Lock()
	verifier := s.trust.verifier
	s.mu.Unlock()
	next, err := proof.OpenCheckpoint(signed, verifier.Name(), verifier)
	if err != nil {
		return s.alarmFor(found{checkpoint: signed}, err)
	}
	var path []proof.Hash
	if before != nil && before.Size > 0 && next.Size > before.Size {
		shown, err := ledger.ProveConsistency(ctx, &pb.ProveConsistencyRequest{OldSize: before.Size, NewSize: next.Size})
		if err != nil {
			return err
		}
		if path, err = hashes(shown.GetHashes()); err != nil {
			return s.alarmFor(found{checkpoint: signed}, err)
		}
	}
	seen, err := proof.Watcher{Origin: verifier.Name(), Verifier: verifier}.Advance(before, signed, path)
	if err != nil {
		return s.alarmFor(found{checkpoint: signed}, err)
	}
	if before == nil || *before != seen {
		// Another command may have saved a later one meanwhile; that is the one to keep.
		if err := s.box.SaveCheckpoint(signed); err != nil && !refusal.Is(err, "CHECKPOINT_OLDER") {
			return err
		}
	}
	return s.saw(seen, signed, connection(&from))
}

// before returns what the log must continue.
func (s *Station) before() (*proof.Checkpoint, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := &s.trust
	if t.alarm != nil {
		return nil, t.alarm
	}
	if t.verifier == nil {
		return nil, nil
	}
	err := t.remembered(s.box)
	return t.last, err
}

// saw remembers a checkpoint that was checked, and keeps the key that it was checked with.
func (s *Station) saw(seen proof.Checkpoint, signed []byte, connection uint64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := &s.trust
	t.last, t.note, t.looked, t.stale, t.verified = &seen, signed, true, false, connection
	if t.fresh == "" {
		return nil
	}
	err := s.home.Write(LogKeyFile, []byte(t.fresh+"\n"))
	if err == nil {
		t.fresh = ""
	}
	return err
}

// firstUse takes the key that the service says, once, and says so.
func (s *Station) firstUse(key string) error {
	if key == "" {
		return refusal.New(refusal.Precondition, "LOG_KEY_UNKNOWN", "--log-key",
			"The public key of the log is not known here and the service does not say it. Ask its operator for it and "+
				"give --log-key or BARWARD_LOG_KEY; it is kept from then on.")
	}
	s.mu.Lock()
	err := s.trust.pin(key, s.box)
	s.trust.fresh = key
	s.mu.Unlock()
	if err != nil {
		return err
	}
	s.config.Say("First use of the log %s: its key is kept in %s.\n  Compare it with what its operator publishes: %s\n",
		s.origin(), s.home.Path(LogKeyFile), Printable(key))
	return nil
}

// found is what a log is convicted by: a checkpoint, or the bytes of an entry and its receipt.
type found struct {
	checkpoint, entry []byte
	receipt           *pb.Receipt
}

// alarmFor stops the work with this log: it keeps what was found beside what was seen before, and turns err into
// the alarm.
func (s *Station) alarmFor(what found, err error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.trust.alarm != nil {
		return s.trust.alarm
	}
	alarm := &Untrusted{Cause: err}
	s.trust.alarm = alarm
	files := map[string][]byte{}
	if len(s.trust.note) > 0 {
		files["checkpoint-before"] = s.trust.note
	}
	if len(what.checkpoint) > 0 && len(what.checkpoint) <= proof.MaxNote {
		files["checkpoint-found"] = what.checkpoint
	}
	if len(what.entry) > 0 {
		files["entry"] = what.entry
	}
	if what.receipt != nil {
		if raw, err := protojson.Marshal(what.receipt); err == nil {
			files["receipt.json"] = raw
		}
	}
	if kept, _ := os.ReadDir(s.home.Path("evidence")); len(files) == 0 || len(kept) >= maxEvidence {
		return alarm // the first proofs are there; more of them prove nothing more
	}
	files["why.txt"] = []byte(err.Error() + "\n")
	folder := "evidence/" + s.config.Now().UTC().Format("20060102T150405.000000000Z")
	for name, text := range files {
		if kept := s.home.Write(folder+"/"+name, text); kept != nil {
			alarm.Cause = errors.Join(err, kept)
			return alarm
		}
	}
	alarm.Evidence = s.home.Path(folder)
	return alarm
}

// Accuse raises the alarm for a caller that found a signed entry at odds with what the service said of it.
func (s *Station) Accuse(entry *pb.Entry, err error) error {
	return s.alarmFor(found{entry: entry.GetLeaf()}, err)
}

// LookBack ends a run of calls by looking at the checkpoint again, if anything was answered since the last look.
// err is how the run went, and is returned unless the log raises the alarm: a refusal does not excuse the log, for
// one that went back refuses what it no longer knows.
func (s *Station) LookBack(ctx context.Context, err error) error {
	s.mu.Lock()
	idle := s.conn == nil || s.trust.looked && !s.trust.stale
	s.mu.Unlock()
	var alarm *Untrusted
	if idle || Unreachable(err) || errors.As(err, &alarm) {
		return err
	}
	seen := s.Advance(ctx)
	if err == nil || errors.As(seen, &alarm) {
		return seen
	}
	return err
}

// Included demands the proof that an entry, given as its leaf's bytes, is in the tree of the last checkpoint.
func (s *Station) Included(ctx context.Context, sequence uint64, leaf []byte) error {
	return s.included(ctx, sequence, leaf, nil)
}

func (s *Station) included(ctx context.Context, sequence uint64, leaf []byte, receipt *pb.Receipt) error {
	at, looked := s.looked()
	if !looked || sequence >= at.Size {
		if err := s.Advance(ctx); err != nil {
			return err
		}
		at, _ = s.looked()
	}
	ledger, err := s.Ledger(ctx)
	if err != nil {
		return err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	shown, err := ledger.ProveInclusion(ctx, &pb.ProveInclusionRequest{Sequence: sequence, TreeSize: at.Size})
	if err != nil {
		return err
	}
	path, err := hashes(shown.GetHashes())
	if err == nil {
		err = proof.VerifyInclusion(at, sequence, proof.LeafHash(leaf), path)
	}
	if err != nil {
		return s.alarmFor(found{entry: leaf, receipt: receipt}, err)
	}
	return nil
}

// looked returns the last checkpoint that this Station fetched itself.
func (s *Station) looked() (proof.Checkpoint, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.trust.looked {
		return proof.Checkpoint{}, false
	}
	return *s.trust.last, true
}

func hashes(raw [][]byte) ([]proof.Hash, error) {
	if len(raw) > proof.MaxProof {
		return nil, refusal.Invalidf("PROOF_TOO_LARGE", "proof", "The proof has %d hashes; at most %d are possible.",
			len(raw), proof.MaxProof)
	}
	path := make([]proof.Hash, len(raw))
	for i, h := range raw {
		if len(h) != len(path[i]) {
			return nil, refusal.Invalidf("PROOF_MALFORMED", "proof", "The proof holds a hash of %d bytes, not %d.",
				len(h), len(path[i]))
		}
		copy(path[i][:], h)
	}
	return path, nil
}
