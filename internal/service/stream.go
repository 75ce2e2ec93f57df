package service

import (
	"context"
	"errors"
	"io"
	"log/slog"

	"google.golang.org/grpc"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// slot is one event of a stream on its way: checked beside the others, submitted in turn, answered in turn. A stream
// has a window of slots and uses them over and over; each channel has room, so that who sends to it never waits.
type slot struct {
	ctx     context.Context
	who     identity.Caller
	signed  *pb.SignedEvent
	eventID string
	sub     ledger.Submission
	err     error         // what the check found
	checked chan struct{} // gets one when the check is over
	answer  chan outcome
}

type outcome struct {
	receipt ledger.Receipt
	err     error
}

func newSlot() *slot {
	return &slot{checked: make(chan struct{}, 1), answer: make(chan outcome, 1)}
}

// checkSlots checks events of streams until the service stops; as many run as there are cores, for all streams
// together.
func (s *Service) checkSlots() {
	for {
		select {
		case next := <-s.checks:
			s.checkSlot(next)
		case <-s.stop.Done():
			return
		}
	}
}

// checkSlot checks one event of a stream, and returns the panic of a check as an error: it runs outside the call's own
// goroutine, where the interceptor cannot catch it.
func (s *Service) checkSlot(next *slot) {
	defer func() { next.checked <- struct{}{} }()
	defer recovered(&next.err)
	if next.err = next.ctx.Err(); next.err != nil {
		return
	}
	if e, err := proof.ReadEnvelope(next.signed.GetEvent()); err == nil {
		next.eventID = e.ID.String()
	}
	next.sub, next.err = s.check(next.who, next.signed)
}

// RecordStream takes many events and answers each in the order sent. It reads no further than a window ahead of its
// answers, so a slow ledger or a slow reader makes the sender wait. Signatures are checked on all cores; the ledger is
// asked in the order sent, so a bar may be weighed in the message after the one that pours it. A refusal is an answer
// like any other and the stream goes on.
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
	s.metrics.open.WithLabelValues("record").Inc()
	defer s.metrics.open.WithLabelValues("record").Dec()
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	var (
		c = callOf(ctx)
		// Each holds a whole window, so that who sends to one never waits: a free slot comes first.
		free     = make(chan *slot, streamWindow)
		received = make(chan *slot, streamWindow)
		toAnswer = make(chan *slot, streamWindow)
		ended    = make(chan error, 1) // why no more events come; nil at the orderly end
	)
	for range streamWindow {
		free <- newSlot()
	}
	go func() { ended <- s.receive(ctx, who, stream, free, received) }()

	// Submit, in the order sent. What was read and is not answered when the service stops is for the next connection.
	var end error
	go func() {
		defer close(toAnswer)
		for {
			select {
			case next := <-received:
				s.submit(ctx, next)
				toAnswer <- next
			case end = <-ended:
				for len(received) > 0 { // nobody sends to it any more
					next := <-received
					s.submit(ctx, next)
					toAnswer <- next
				}
				return
			case <-s.stop.Done():
				end = stopping()
				return
			case <-ctx.Done():
				end = ctx.Err()
				return
			}
		}
	}()

	// Answer, in the order sent.
	for next := range toAnswer {
		done := <-next.answer
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := stream.Send(s.streamAnswer(c, next, done)); err != nil {
			return err
		}
		free <- next
	}
	return end // set before toAnswer was closed
}

// receive reads events into free slots and sends them on, to be checked and in the order sent. It returns at the latest
// when the handler has: Recv cannot be woken otherwise, so nobody waits for it.
func (s *Service) receive(
	ctx context.Context, who identity.Caller,
	stream grpc.BidiStreamingServer[pb.RecordStreamRequest, pb.RecordStreamResponse], free, received chan *slot,
) error {
	for {
		var next *slot
		select {
		case next = <-free:
		case <-ctx.Done():
			return ctx.Err()
		}
		req, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return readable(err)
		}
		next.ctx, next.who, next.signed = ctx, who, req.GetSignedEvent()
		next.eventID, next.sub, next.err = "", ledger.Submission{}, nil
		select {
		case s.checks <- next:
			received <- next
		case <-s.stop.Done():
			return stopping()
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// submit hands a checked event to the ledger. Streams wait for a place, of which all together have maxStreamed.
func (s *Service) submit(ctx context.Context, next *slot) {
	<-next.checked
	if next.err == nil {
		if next.err = s.places.Acquire(ctx, 1); next.err == nil {
			s.waiting.Add(1)
			next.err = s.ledger.Submit(ctx, next.sub, func(r ledger.Receipt, err error) {
				s.waiting.Add(-1)
				s.places.Release(1)
				if err == nil {
					s.registered(next.sub.Memo)
				}
				next.answer <- outcome{r, err}
			})
			if next.err != nil {
				s.waiting.Add(-1)
				s.places.Release(1)
			}
		}
	}
	if next.err != nil {
		next.answer <- outcome{err: next.err}
	}
}

func (s *Service) streamAnswer(c *call, next *slot, done outcome) *pb.RecordStreamResponse {
	resp := &pb.RecordStreamResponse{EventId: next.eventID}
	var given *pb.Receipt
	if done.err == nil {
		given, done.err = s.receipt(next.who, done.receipt, next.sub.Memo)
	}
	s.metrics.outcome(given)
	if done.err != nil {
		c.refused.Add(1)
		s.logRefused(done.err, c.id)
		resp.Answer = &pb.RecordStreamResponse_Refusal{Refusal: refusalProto(done.err, c.id)}
		return resp
	}
	c.taken.Add(1)
	if s.log.Enabled(next.ctx, slog.LevelDebug) {
		s.log.Debug("recorded in a stream", "request_id", c.id, "entry", given.Sequence)
	}
	resp.Answer = &pb.RecordStreamResponse_Receipt{Receipt: given}
	return resp
}
