package service

import (
	"bytes"
	"context"
	"strings"
	"time"

	"barward/internal/book"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// ledgerService takes signed events and proves what was taken.
type ledgerService struct {
	pb.UnimplementedLedgerServiceServer
	*Service
}

// Record takes one signed event. The caller's token says who brings it, the event's own signature who wrote it. The two
// may be different persons of one party, because one workstation's outbox sends what several people at it signed: the
// officer's pour and the witness's countersignature. An event of another party is not taken from a caller: nobody should
// be able to hand in for others what they signed and then thought better of.
func (s *ledgerService) Record(ctx context.Context, req *pb.RecordRequest) (*pb.RecordResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	if err := s.overloaded(); err != nil {
		return nil, err
	}
	given, err := s.record(ctx, who, req.GetSignedEvent())
	s.metrics.outcome(given)
	if err != nil {
		return nil, err
	}
	c := callOf(ctx)
	c.entry, c.made = given.Sequence, true
	return &pb.RecordResponse{Receipt: given}, nil
}

func (s *Service) record(ctx context.Context, who identity.Caller, signed *pb.SignedEvent) (*pb.Receipt, error) {
	sub, err := s.check(who, signed)
	if err != nil {
		return nil, err
	}
	s.waiting.Add(1)
	receipt, err := s.ledger.Append(ctx, sub)
	s.waiting.Add(-1)
	if err != nil {
		return nil, err
	}
	s.registered(sub.Memo)
	return s.receipt(who, receipt, sub.Memo)
}

// check does what can be done on an event before the one committer is asked: signature, form, and whether the caller may
// bring it.
func (s *Service) check(who identity.Caller, signed *pb.SignedEvent) (ledger.Submission, error) {
	if signed == nil {
		return ledger.Submission{}, refusal.Invalidf("EVENT_MISSING", "signed_event",
			"The request holds no event. Send one with its signature.")
	}
	sub := ledger.Submission{Signed: proof.Signed{Event: signed.GetEvent(), Signature: signed.GetSignature()}}
	var err error
	if sub.Envelope, err = proof.Open(sub.Signed); err != nil {
		return ledger.Submission{}, err
	}
	event, err := book.Prepare(sub.Signed.Event)
	if err != nil {
		return ledger.Submission{}, err
	}
	sub.Memo = event
	if err := s.ofThisLog(event.Event.GetCheckpointCosigned()); err != nil {
		return ledger.Submission{}, err
	}
	if identity.KeyIDOf(sub.Envelope.Author) == who.KeyID {
		return sub, nil
	}
	return sub, s.sameParty(who, sub.Envelope.Author)
}

// sameParty refuses the event of an author who is not of the caller's party. A key that was revoked since still names its
// party: what it signed before may have to be sent again, and whether it counts is the book's to judge.
func (s *Service) sameParty(who identity.Caller, author []byte) error {
	return s.ledger.View(func(b *ledger.Book, _ uint64) error {
		name := book.AuthorOf(b, author)
		if name == "" {
			_, err := book.CallerOf(b, author)
			return err
		}
		if party, _, _ := strings.Cut(name, "/"); party != who.PartyID {
			return refusal.New(refusal.Forbidden, "AUTHOR_OF_OTHER_PARTY", "signed_event",
				"The event was signed by a person of another party than yours, %s. Have that party send it.", who.PartyID).
				With("party", who.PartyID)
		}
		return nil
	})
}

// receipt renders a receipt, with the discrepancies that the entry raised, as far as the caller may see them.
func (s *Service) receipt(who identity.Caller, r ledger.Receipt, memo any) (*pb.Receipt, error) {
	given := &pb.Receipt{
		Sequence:   r.Seq,
		LeafHash:   bytes.Clone(r.LeafHash[:]),
		RecordedAt: instant(r.RecordedAt),
		TreeSize:   r.TreeSize,
		Resent:     r.Resent,
	}
	if event, ok := memo.(*book.Prepared); ok && event.Quiet() {
		return given, nil
	}
	err := s.ledger.View(func(b *ledger.Book, _ uint64) error {
		given.Discrepancies = book.Raised(b, who, r.Seq)
		given.Notes = book.Remarks(b, who, r.Seq)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return given, nil
}

// instant writes an instant as the protos do: RFC 3339 in UTC.
func instant(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }
