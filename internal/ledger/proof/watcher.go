package proof

import "barward/internal/refusal"

// A Watcher holds a log to its word: each checkpoint that a client sees must continue the last one it saw. It keeps no
// state; the caller stores the checkpoint that Advance returns, and the signed note with it, for that note is the
// evidence if a later one contradicts it.
type Watcher struct {
	Origin   string   // the log's name
	Verifier Verifier // its public key
}

// Advance checks a newly received checkpoint against the last one seen, and returns it as the one to remember. last is
// nil on first sight: then only the signature is checked, so the first checkpoint should come by a way one trusts. path
// is the consistency proof from last's size to the new size, empty when either they are equal or last is empty.
//
// Reasons: those of OpenCheckpoint and PROOF_TOO_LARGE; LOG_ROLLED_BACK if the log is now smaller than it was;
// LOG_FORKED if it has the same size with other content, or cannot show that it continues what was seen. Both are
// alarms: keep both notes, record nothing more there, and tell the other parties.
func (w Watcher) Advance(last *Checkpoint, signed []byte, path []Hash) (Checkpoint, error) {
	next, err := OpenCheckpoint(signed, w.Origin, w.Verifier)
	if err != nil {
		return Checkpoint{}, err
	}
	if last == nil {
		return next, nil
	}
	if last.Origin != next.Origin {
		return Checkpoint{}, refusal.Invalidf("CHECKPOINT_ORIGIN", "checkpoint",
			"The checkpoint is of the log %q, the one remembered of %q. Compare only checkpoints of one log.",
			next.Origin, last.Origin).With("found", next.Origin).With("allowed", last.Origin)
	}
	if next.Size < last.Size {
		return Checkpoint{}, alarm("LOG_ROLLED_BACK", *last, next,
			"The log signed a tree of %d entries after one of %d: entries were taken away, or an old copy was put back.",
			next.Size, last.Size)
	}
	if next.Size == last.Size && next.Root != last.Root {
		return Checkpoint{}, alarm("LOG_FORKED", *last, next,
			"The log signed two different trees of %d entries.", next.Size)
	}
	if err := VerifyConsistency(*last, next, path); err != nil {
		if refusal.Is(err, "CONSISTENCY_INVALID") {
			return Checkpoint{}, alarm("LOG_FORKED", *last, next,
				"The log does not show that its tree of %d entries continues the tree of %d seen before.",
				next.Size, last.Size).Because(err)
		}
		return Checkpoint{}, err
	}
	return next, nil
}

func alarm(reason string, last, next Checkpoint, text string, args ...any) *refusal.Error {
	e := refusal.New(refusal.DataLoss, reason, "", text, args...).About(next.Origin).
		With("size", format(next.Size)).With("old_size", format(last.Size)).
		With("root", next.Root.String()).With("old_root", last.Root.String())
	e.Text += " Keep both signed checkpoints as evidence, record nothing more there, and tell the other parties."
	return e
}
