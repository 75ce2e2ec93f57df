package station

import (
	"context"
	"crypto/ed25519"
	"slices"
	"time"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// A log can be forked: one client at a time is shown another tree. No client finds that out alone, but two do as
// soon as they compare checkpoints. So each party puts its name under a checkpoint that it has verified (C2SP
// tlog-cosignature) and records it, and each reads what the others have cosigned and demands that its own tree
// continues theirs.

// Cosigned is a checkpoint that a party has put its name to, as it was verified here.
type Cosigned struct {
	Party, Person string // Person as party/person
	At            time.Time
	Checkpoint    proof.Checkpoint
	Note          []byte // with the log's signature and the party's
	Entry         uint64 // by which it was recorded
	Fault         error  // why it does not count: not signed by this log, or not by its author; nil where it does
}

// Cosign puts the name of the person whose key is in use under the checkpoint as it is now, once the log has shown
// that it continues what was seen before, and returns the event to record. The note is kept in home. Reasons:
// those of Identify and Advance, LOG_EMPTY.
func (s *Station) Cosign(ctx context.Context) (*pb.CheckpointCosigned, error) {
	key, err := s.Unlocked()
	if err != nil {
		return nil, err
	}
	person, err := s.FindPerson(ctx, key.Public()) // asked, not remembered: the name is signed
	if err != nil {
		return nil, err
	}
	if err := s.Advance(ctx); err != nil {
		return nil, err
	}
	at, note := s.seenBoth()
	if at.Size == 0 {
		return nil, refusal.New(refusal.Precondition, "LOG_EMPTY", "",
			"The log has no entry yet; there is nothing to cosign.")
	}
	body, _, err := proof.SplitNote(note)
	if err != nil {
		return nil, err
	}
	line, err := proof.Cosign(body, person.GetName(), key.Private(), s.config.Now())
	if err != nil {
		return nil, err
	}
	note, err = proof.AddCosignatures(note, func(proof.Cosignature) ed25519.PublicKey { return key.Public() }, line)
	if err != nil {
		return nil, err
	}
	return &pb.CheckpointCosigned{Note: string(note)}, s.home.Write(cosignedFile(person.GetParty()), note)
}

func cosignedFile(party string) string { return "cosigned/" + party }

func (s *Station) seenBoth() (proof.Checkpoint, []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.trust.last == nil {
		return proof.Checkpoint{}, nil
	}
	return *s.trust.last, slices.Clone(s.trust.note)
}

// Cosignatures reads what every party has cosigned last, the largest tree first, and verifies each: the log has
// signed the checkpoint, the party's line is by the key that signed the entry which brought it, that entry is in
// the log, and the log as it is seen here continues that checkpoint. One that it does not continue, or whose log
// signature stands under another tree of the size, is the proof of a fork: *Untrusted, with both checkpoints. One
// that nobody need believe is returned with its Fault. Each note that counts is kept in home. Whose a key is, the
// service is believed for.
func (s *Station) Cosignatures(ctx context.Context) ([]Cosigned, error) {
	var things []*pb.Cosignature
	err := s.Walk(ctx, pb.ThingKind_THING_KIND_COSIGNATURE, "", func(t *pb.Thing) bool {
		things = append(things, t.GetCosignature())
		return len(things) < maxCosigners
	})
	if err != nil {
		return nil, err
	}
	var all []Cosigned
	for _, c := range things {
		one, err := s.cosigned(ctx, c)
		if err != nil {
			return nil, err
		}
		all = append(all, one)
	}
	slices.SortStableFunc(all, func(x, y Cosigned) int { return -compareSizes(x.Checkpoint, y.Checkpoint) })
	return all, nil
}

func compareSizes(x, y proof.Checkpoint) int {
	switch {
	case x.Size < y.Size:
		return -1
	case x.Size > y.Size:
		return 1
	}
	return 0
}

// cosigned verifies one. It reads the note of the entry, not the service's word for it.
func (s *Station) cosigned(ctx context.Context, c *pb.Cosignature) (Cosigned, error) {
	entry, err := s.Entry(ctx, c.GetEntry())
	if err != nil {
		return Cosigned{}, err
	}
	one := Cosigned{Party: c.GetParty(), Person: c.GetCosignedBy(), Entry: c.GetEntry()}
	one.Note = []byte(entry.GetEvent().GetCheckpointCosigned().GetNote())
	s.mu.Lock()
	verifier := s.trust.verifier
	s.mu.Unlock()
	at, err := proof.OpenCheckpoint(one.Note, verifier.Name(), verifier)
	if err != nil { // it proves nothing against the log, which did not sign it
		one.Fault = refusal.New(refusal.Invalid, "COSIGNED_NOT_OF_THIS_LOG", "",
			"Entry %d by %s cosigns something that this log did not sign. Ask them what they saw.", one.Entry, one.Person).
			Because(err)
		return one, nil
	}
	if one.At, err = cosignedBy(one.Person, entry.GetEvent().GetAuthorKey(), one.Note); err != nil {
		one.Fault = err
		return one, nil
	}
	one.Checkpoint = at
	if err := s.Continues(ctx, at); err != nil {
		if refusal.Is(err, "CONSISTENCY_INVALID") {
			return Cosigned{}, s.alarmFor(found{checkpoint: one.Note, entry: entry.GetLeaf()}, err)
		}
		return Cosigned{}, err
	}
	return one, s.home.Write(cosignedFile(one.Party), one.Note)
}

// cosignedBy finds a person's line under a checkpoint, checks it with the key and returns its time.
func cosignedBy(person string, key ed25519.PublicKey, note []byte) (time.Time, error) {
	body, lines, err := proof.SplitNote(note)
	if err != nil {
		return time.Time{}, err
	}
	for _, line := range lines {
		c, err := proof.ParseCosignature(line)
		if err == nil && c.Name == person {
			return c.At, c.Verify(body, key)
		}
	}
	return time.Time{}, refusal.Invalidf("COSIGNATURE_MISSING", "",
		"No line under the checkpoint is by %s, who recorded it. Ask them to cosign again.", person)
}

// Continues demands that the log, as it is seen here now, continues an earlier checkpoint, which somebody else names:
// CONSISTENCY_INVALID if it does not. Who signed that checkpoint is the caller's to judge.
func (s *Station) Continues(ctx context.Context, earlier proof.Checkpoint) error {
	last, looked := s.looked()
	if !looked || last.Size < earlier.Size {
		if err := s.Advance(ctx); err != nil {
			return err
		}
		last, _ = s.looked()
	}
	if earlier.Size > last.Size {
		return refusal.New(refusal.DataLoss, "CONSISTENCY_INVALID", "checkpoint",
			"A checkpoint of %d entries is known, and the log shows only %d: entries were taken away, or it is another log.",
			earlier.Size, last.Size)
	}
	var path []proof.Hash
	if earlier.Size > 0 && earlier.Size < last.Size {
		ledger, err := s.Ledger(ctx)
		if err != nil {
			return err
		}
		bounded, cancel := s.call(ctx)
		defer cancel()
		shown, err := ledger.ProveConsistency(bounded, &pb.ProveConsistencyRequest{OldSize: earlier.Size, NewSize: last.Size})
		if err != nil {
			return err
		}
		if path, err = hashes(shown.GetHashes()); err != nil {
			return err
		}
	}
	return proof.VerifyConsistency(earlier, last, path)
}
