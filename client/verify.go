package main

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"barward/client/outbox"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// logKeyFile is the file in home that holds the key of the log. The last checkpoint lies in the outbox.
const logKeyFile = "log-key"

// trust is what this home knows of the log: its key, and the last checkpoint that it saw.
type trust struct {
	box      *outbox.Outbox
	verifier proof.Verifier
	fresh    string // a key that was given and is not kept yet
	last     *proof.Checkpoint
	current  bool // last was fetched in this run
}

// open reads the key that is kept, or takes the one that was given. Two that differ are refused: a log has one key for
// ever, and a home one log.
func (t *trust) open(h home, box *outbox.Outbox, given string) error {
	t.box = box
	if given != "" && !strings.Contains(given, "+") {
		file, err := readFile(given, proof.MaxNote)
		if err != nil {
			return refusal.In(err, "--log-key")
		}
		given = string(file)
	}
	given = strings.TrimSpace(given)
	kept, found, err := h.read(logKeyFile)
	if err != nil {
		return err
	}
	known := strings.TrimSpace(string(kept))
	switch {
	case !found && given == "":
		return nil
	case found && given != "" && known != given:
		return refusal.New(refusal.Precondition, "LOG_KEY_DIFFERS", "--log-key",
			"The key given is not the one kept in %s. Use one home for each log; a log that changed its key is another log.", h.path(logKeyFile))
	case found:
		return t.pin(known)
	}
	t.fresh = given
	return t.pin(given)
}

// pin takes a key as the log's and reads the last checkpoint with it.
func (t *trust) pin(text string) error {
	verifier, err := proof.NewVerifier(text)
	if err != nil {
		return err
	}
	t.verifier = verifier
	return t.remembered()
}

// remembered reads the last checkpoint from home.
func (t *trust) remembered() error {
	signed, err := t.box.LoadCheckpoint()
	if err != nil || signed == nil {
		return err
	}
	last, err := proof.OpenCheckpoint(signed, t.origin(), t.verifier)
	if err != nil {
		return &untrusted{fmt.Errorf("the checkpoint kept on this machine is not one of the log %s: %w", t.origin(), err)}
	}
	t.last = &last
	return nil
}

// origin names the log; empty while it is unknown.
func (t *trust) origin() string {
	if t.verifier == nil {
		return ""
	}
	return t.verifier.Name()
}

// untrusted is the alarm: the log contradicts itself or what it gave us before.
type untrusted struct{ cause error }

func (u *untrusted) Error() string { return u.cause.Error() }
func (u *untrusted) Unwrap() error { return u.cause }

// advance fetches the checkpoint and holds the log to its word. What was seen last is read before the service is asked:
// another command on this machine may move it on in between, and that would look like a log that went back.
func (a *app) advance() error {
	t := &a.trust
	if t.verifier != nil {
		if err := t.remembered(); err != nil {
			return err
		}
	}
	ctx, cancel := a.call()
	defer cancel()
	answer, err := a.ledger.GetCheckpoint(ctx, &pb.GetCheckpointRequest{})
	if err != nil {
		return err
	}
	signed := []byte(answer.GetCheckpoint())
	if t.verifier == nil {
		if err := a.firstUse(answer.GetLogPublicKey()); err != nil {
			return err
		}
	}
	next, err := proof.OpenCheckpoint(signed, t.origin(), t.verifier)
	if err != nil {
		return a.alarm(signed, err)
	}
	var path []proof.Hash
	if last := t.last; last != nil && last.Size > 0 && next.Size > last.Size {
		shown, err := a.ledger.ProveConsistency(ctx, &pb.ProveConsistencyRequest{OldSize: last.Size, NewSize: next.Size})
		if err != nil {
			return err
		}
		if path, err = hashes(shown.GetHashes()); err != nil {
			return a.alarm(signed, err)
		}
	}
	seen, err := proof.Watcher{Origin: t.origin(), Verifier: t.verifier}.Advance(t.last, signed, path)
	if err != nil {
		return a.alarm(signed, err)
	}
	if t.last == nil || *t.last != seen {
		// Another command may have saved a later one meanwhile; that is the one to keep.
		if err := t.box.SaveCheckpoint(signed); err != nil && !refusal.Is(err, "CHECKPOINT_OLDER") {
			return err
		}
	}
	t.last, t.current = &seen, true
	if t.fresh == "" {
		return nil
	}
	defer func() { t.fresh = "" }()
	return a.home.write(logKeyFile, []byte(t.fresh+"\n"))
}

// firstUse takes the key that the service says, once, and says so.
func (a *app) firstUse(key string) error {
	if key == "" {
		return logKeyUnknown()
	}
	if err := a.trust.pin(key); err != nil {
		return err
	}
	a.trust.fresh = key
	say(a.complain, "First use of the log %s: its key is kept in %s.\n  Compare it with what its operator publishes: %s\n",
		a.trust.origin(), a.home.path(logKeyFile), printable(key))
	return nil
}

func logKeyUnknown() error {
	return refusal.New(refusal.Precondition, "LOG_KEY_UNKNOWN", "--log-key",
		"The public key of the log is not known here and the service does not say it. Ask its operator for it and give --log-key or BARWARD_LOG_KEY; it is kept from then on.")
}

// alarm keeps the checkpoint at fault, if there is one, as evidence, and turns err into the alarm.
func (a *app) alarm(signed []byte, err error) error {
	if len(signed) == 0 || len(signed) > proof.MaxNote {
		return &untrusted{err}
	}
	name := "evidence/" + a.now().UTC().Format("20060102T150405.000000000Z")
	if kept := a.home.write(name, signed); kept != nil {
		return &untrusted{errors.Join(err, kept)}
	}
	return &untrusted{fmt.Errorf("%w\n  The checkpoint at fault is kept in %s; the last good one stays in the outbox folder", err, a.home.path(name))}
}

// prove shows that a receipt is true: the entry is what was signed here, and it is in the tree of the last checkpoint.
func (a *app) prove(sent proof.Signed, receipt *pb.Receipt) error {
	if len(receipt.GetLeafHash()) != len(proof.Hash{}) {
		return a.alarm(nil, errors.New("the receipt holds no leaf hash"))
	}
	ctx, cancel := a.call()
	defer cancel()
	got, err := a.ledger.GetEntry(ctx,
		&pb.GetEntryRequest{Key: &pb.GetEntryRequest_Sequence{Sequence: receipt.GetSequence()}})
	if err != nil {
		return err
	}
	raw := got.GetEntry().GetLeaf()
	leaf, err := proof.ParseLeaf(raw)
	if err != nil {
		return a.alarm(nil, err)
	}
	if !bytes.Equal(leaf.Event, sent.Event) || !bytes.Equal(leaf.Signature, sent.Signature) {
		return a.alarm(nil, fmt.Errorf("entry %d is not the event that was signed here", receipt.GetSequence()))
	}
	if hash := proof.LeafHash(raw); !bytes.Equal(hash[:], receipt.GetLeafHash()) {
		return a.alarm(nil, fmt.Errorf("the receipt for entry %d has another hash than the entry", receipt.GetSequence()))
	}
	return a.included(receipt.GetSequence(), proof.LeafHash(raw))
}

// included demands the proof that an entry is in the tree of the last checkpoint.
func (a *app) included(sequence uint64, leaf proof.Hash) error {
	if !a.trust.current || sequence >= a.trust.last.Size {
		if err := a.advance(); err != nil {
			return err
		}
	}
	ctx, cancel := a.call()
	defer cancel()
	shown, err := a.ledger.ProveInclusion(ctx, &pb.ProveInclusionRequest{Sequence: sequence, TreeSize: a.trust.last.Size})
	if err != nil {
		return err
	}
	path, err := hashes(shown.GetHashes())
	if err == nil {
		err = proof.VerifyInclusion(*a.trust.last, sequence, leaf, path)
	}
	if err != nil {
		return a.alarm(nil, err)
	}
	return nil
}

// lookBack ends every run that spoke to the service by looking at the checkpoint. A refusal does not excuse the log: one
// that went back refuses what it no longer knows.
func (a *app) lookBack(err error) error {
	var alarm *untrusted
	if a.conn == nil || a.trust.current || unreachable(err) || errors.As(err, &alarm) {
		return err
	}
	seen := a.advance()
	if err == nil || errors.As(seen, &alarm) {
		return seen
	}
	return err
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
