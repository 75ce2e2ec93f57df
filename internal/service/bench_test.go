package service

import (
	"fmt"
	"sync"
	"sync/atomic"
	"testing"

	pb "barward/proto/barward/v1"
)

// BenchmarkRecord64 records from 64 callers on loopback, each waiting for its receipt before it sends the next: one token
// check and one event signature check a call, one durable commit a batch. Events are signed before the clock starts.
func BenchmarkRecord64(b *testing.B) {
	const callers = 64
	h := open(b, nil)
	ctx := h.as(h.admin)
	client := h.ledgerClient()
	signed := make([]*pb.SignedEvent, b.N)
	for i := range signed {
		signed[i] = h.admin.event(b, mine(fmt.Sprintf("p%07d", i)))
	}
	var next atomic.Int64
	var wait sync.WaitGroup
	b.ResetTimer()
	for range callers {
		wait.Go(func() {
			for i := next.Add(1) - 1; i < int64(len(signed)); i = next.Add(1) - 1 {
				if _, err := client.Record(ctx, &pb.RecordRequest{SignedEvent: signed[i]}); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wait.Wait()
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkRecordStream8 sends the same through 8 streams.
func BenchmarkRecordStream8(b *testing.B) {
	const streams = 8
	h := open(b, nil)
	ctx := h.as(h.admin)
	client := h.ledgerClient()
	signed := make([]*pb.SignedEvent, b.N)
	for i := range signed {
		signed[i] = h.admin.event(b, mine(fmt.Sprintf("p%07d", i)))
	}
	var wait sync.WaitGroup
	b.ResetTimer()
	for s := range streams {
		wait.Go(func() {
			stream, err := client.RecordStream(ctx)
			if err != nil {
				b.Error(err)
				return
			}
			go func() {
				for i := s; i < len(signed); i += streams {
					if stream.Send(&pb.RecordStreamRequest{SignedEvent: signed[i]}) != nil {
						return
					}
				}
				_ = stream.CloseSend()
			}()
			for i := s; i < len(signed); i += streams {
				if got, err := stream.Recv(); err != nil || got.GetReceipt() == nil {
					b.Error(got, err)
					return
				}
			}
		})
	}
	wait.Wait()
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
}
