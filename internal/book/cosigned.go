package book

import (
	"crypto/ed25519"
	"fmt"
	"time"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// checkpointCosigned keeps the newest checkpoint that each party has put its name to. The book cannot know the log's root
// and does not ask: a party that saw another root than the log has now holds the log's own signature under it, and that
// is what this entry keeps. Whoever has the log compares.
func (f *fold) checkpointCosigned(e *pb.CheckpointCosigned) error {
	if len(e.Note) > maxCosigned {
		return refusal.Invalidf("DOCUMENT_TOO_LARGE", "note", "a signed note of %d bytes is larger than the %d allowed", len(e.Note), maxCosigned)
	}
	body, lines, err := proof.SplitNote([]byte(e.Note))
	if err != nil {
		return refusal.In(err, "note")
	}
	at, err := proof.ParseBody(body)
	if err != nil {
		return refusal.In(err, "note")
	}
	if at.Size > f.entry.Seq {
		return refusal.Invalidf("CHECKPOINT_AHEAD", "note", "the checkpoint has %d entries and the log %d; if you have seen that checkpoint signed, this log was rolled back: keep it and tell the other parties", at.Size, f.entry.Seq).
			With("found", fmt.Sprint(at.Size)).With("allowed", fmt.Sprint(f.entry.Seq))
	}
	own, err := f.cosignature(body, lines)
	if err != nil {
		return err
	}
	if ahead := own.At.Sub(f.entry.RecordedAt); ahead > clockSkew {
		return refusal.Invalidf("TIME_IN_FUTURE", "note", "the cosignature is of %s, which is ahead of the ledger's clock; set the clock right and cosign again", own.At.Format(time.RFC3339))
	}
	c, ok := cosignatures.change(&f.store, f.who.PartyID)
	f.about(cosignatures, f.who.PartyID)
	switch {
	case !ok:
		c = &pb.Cosignature{Name: f.who.PartyID, Party: f.who.PartyID}
		cosignatures.create(&f.store, c)
	case at.Size < c.Size:
		f.remark(fmt.Sprintf("%s has cosigned %d entries before (entry %d); this one of %d stays on record beside it", f.who.PartyID, c.Size, c.Entry, at.Size))
		return nil
	}
	c.Size, c.Root, c.Origin, c.Note = at.Size, at.Root[:], at.Origin, e.Note
	c.CosignedBy, c.CosignedAt, c.Entry = f.person(), own.At.Format(time.RFC3339), f.entry.Seq
	return nil
}

// cosignature finds the author's own line under a checkpoint and checks it. Other lines, such as the log's, are not ours
// to check.
func (f *fold) cosignature(body []byte, lines []string) (proof.Cosignature, error) {
	for _, line := range lines {
		c, err := proof.ParseCosignature(line)
		if err != nil || c.Name != f.person() {
			continue
		}
		if err := c.Verify(body, ed25519.PublicKey(f.event.AuthorKey)); err != nil {
			return c, refusal.In(err, "note")
		}
		return c, nil
	}
	return proof.Cosignature{}, refusal.Invalidf("COSIGNATURE_MISSING", "note", "no line under the checkpoint is a cosignature under the name %s; sign it with your own key and name", f.person()).With("name", f.person())
}
