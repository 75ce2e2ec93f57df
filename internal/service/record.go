package service

import (
	"bytes"
	"context"
	"errors"
	"io"
	"strings"
	"time"

	"google.golang.org/grpc"

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
	sub, err := s.check(who, req.GetSignedEvent())
	if err != nil {
		return nil, err
	}
	receipt, err := s.ledger.Append(ctx, sub)
	if err != nil {
		return nil, err
	}
	given, err := s.receipt(who, receipt)
	if err != nil {
		return nil, err
	}
	return &pb.RecordResponse{Receipt: given}, nil
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
	if sub.Memo, err = book.Decode(sub.Signed.Event); err != nil {
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
	return s.ledger.View(func(b *book.Bucket, _ uint64) error {
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
func (s *Service) receipt(who identity.Caller, r ledger.Receipt) (*pb.Receipt, error) {
	given := &pb.Receipt{
		Sequence:   r.Seq,
		LeafHash:   bytes.Clone(r.LeafHash[:]),
		RecordedAt: instant(r.RecordedAt),
		TreeSize:   r.TreeSize,
		Resent:     r.Resent,
	}
	err := s.ledger.View(func(b *book.Bucket, _ uint64) error {
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

// slot is one event of a stream on its way: checked beside the others, submitted in turn, answered in turn.
type slot struct {
	eventID string
	sub     ledger.Submission
	err     error         // what the check found
	checked chan struct{} // closed when the check is over
	answer  chan outcome  // has room, so that the committer never waits for us
}

type outcome struct {
	receipt ledger.Receipt
	err     error
}

// RecordStream takes events one after the other. At most streamWindow of them are under way: the next is read from the
// wire when the oldest was answered, and gRPC's flow control makes the sender wait. Signatures are checked on all cores;
// the ledger is asked in the order sent, so a bar may be weighed in the message after the one that pours it. A refusal is
// an answer like any other and the stream goes on.
func (s *ledgerService) RecordStream(
	stream grpc.BidiStreamingServer[pb.RecordStreamRequest, pb.RecordStreamResponse],
) error {
	who, err := caller(stream.Context())
	if err != nil {
		return err
	}
	if !s.streams.TryAcquire(1) {
		return tooMany("RecordStream", maxRecording)
	}
	defer s.streams.Release(1)
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	var (
		requestID = callOf(ctx).id
		// Each holds a whole window, so that who sends to one never waits: a place in the window comes first.
		window   = make(chan struct{}, streamWindow)
		incoming = make(chan *pb.SignedEvent)
		toSubmit = make(chan *slot, streamWindow)
		toAnswer = make(chan *slot, streamWindow)
		ended    = make(chan error, 1) // why no more events come; nil at the orderly end
	)

	// Receive. Recv returns at the latest when this handler has: it cannot be woken otherwise, so nobody waits for it.
	go func() {
		defer close(incoming)
		for {
			select {
			case window <- struct{}{}:
			case <-ctx.Done():
				ended <- ctx.Err()
				return
			}
			req, err := stream.Recv()
			if errors.Is(err, io.EOF) {
				err = nil
				ended <- err
				return
			}
			if err != nil {
				ended <- err
				return
			}
			select {
			case incoming <- req.GetSignedEvent():
			case <-ctx.Done():
				ended <- ctx.Err()
				return
			}
		}
	}()

	// Check, beside each other.
	var end error
	go func() {
		defer close(toSubmit)
		for {
			select {
			case signed, more := <-incoming:
				if !more {
					end = <-ended
					return
				}
				next := &slot{checked: make(chan struct{}), answer: make(chan outcome, 1)}
				go s.checkSlot(ctx, who, signed, next)
				toSubmit <- next
			case <-s.stop.Done():
				end = stopping() // what was sent and not read is for the next connection
				return
			}
		}
	}()

	// Submit, in the order sent.
	go func() {
		defer close(toAnswer)
		for next := range toSubmit {
			<-next.checked
			if next.err == nil {
				next.err = s.ledger.Submit(ctx, next.sub, func(r ledger.Receipt, err error) { next.answer <- outcome{r, err} })
			}
			if next.err != nil {
				next.answer <- outcome{err: next.err}
			}
			toAnswer <- next
		}
	}()

	// Answer, in the order sent.
	for next := range toAnswer {
		done := <-next.answer
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := stream.Send(s.streamAnswer(who, next, done, requestID)); err != nil {
			return err
		}
		<-window
	}
	return end // set before toSubmit was closed, and so before toAnswer was
}

// checkSlot checks one event of a stream, and returns the panic of a check as an error: it runs outside the call's own
// goroutine, where the interceptor cannot catch it.
func (s *Service) checkSlot(ctx context.Context, who identity.Caller, signed *pb.SignedEvent, next *slot) {
	defer close(next.checked)
	defer recovered(&next.err)
	if next.err = s.checks.Acquire(ctx, 1); next.err != nil {
		return
	}
	defer s.checks.Release(1)
	if e, err := proof.ReadEnvelope(signed.GetEvent()); err == nil {
		next.eventID = e.ID.String()
	}
	next.sub, next.err = s.check(who, signed)
}

func (s *Service) streamAnswer(who identity.Caller, next *slot, done outcome, requestID string) *pb.RecordStreamResponse {
	resp := &pb.RecordStreamResponse{EventId: next.eventID}
	var given *pb.Receipt
	if done.err == nil {
		given, done.err = s.receipt(who, done.receipt)
	}
	if done.err != nil {
		s.logRefused(done.err, requestID)
		resp.Answer = &pb.RecordStreamResponse_Refusal{Refusal: refusalProto(done.err, requestID)}
		return resp
	}
	resp.Answer = &pb.RecordStreamResponse_Receipt{Receipt: given}
	return resp
}
