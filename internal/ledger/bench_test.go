package ledger_test

import (
	"encoding/binary"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/ledger/proof"
)

// BenchmarkAppend measures 64 writers, each waiting for its receipt before its next event, with the toy judge and entries
// of some 400 bytes, against the least that could be durable: as many bytes put under growing keys in one bbolt bucket, one
// transaction for every 64. Signing and checking signatures is left out on both sides. The two run in turns.
func BenchmarkAppend(b *testing.B) {
	const writers, each, perGroup = 64, 32, 64
	dir := b.TempDir()
	c := ledgertest.Config()
	l, err := ledger.Create(filepath.Join(dir, "ledger"), c)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	bare, err := bbolt.Open(filepath.Join(dir, "bare"), 0o600, &bbolt.Options{
		FreelistType: bbolt.FreelistMapType, InitialMmapSize: 64 << 20,
	})
	if err != nil {
		b.Fatal(err)
	}
	defer bare.Close()
	bucket := []byte("x")
	if err := bare.Update(func(tx *bbolt.Tx) error { _, err := tx.CreateBucket(bucket); return err }); err != nil {
		b.Fatal(err)
	}
	var ours, theirs time.Duration
	events := 0
	for b.Loop() {
		subs := make([]ledger.Submission, writers*each)
		for i := range subs {
			n := events + i
			signed := ledgertest.Event(ledgertest.Key(0), ledgertest.ID(n), fmt.Sprintf("add name%d 1%250s", n%10, ""))
			envelope, err := proof.ReadEnvelope(signed.Event)
			if err != nil {
				b.Fatal(err)
			}
			subs[i] = ledger.Submission{Signed: signed, Envelope: envelope}
		}
		start := time.Now()
		var all sync.WaitGroup
		for w := range writers {
			all.Go(func() {
				for i := range each {
					if _, err := l.Append(ctx, subs[i*writers+w]); err != nil {
						b.Error(err)
					}
				}
			})
		}
		all.Wait()
		ours += time.Since(start)

		start = time.Now()
		for i := 0; i < len(subs); i += perGroup {
			if err := bare.Update(func(tx *bbolt.Tx) error {
				x := tx.Bucket(bucket)
				x.FillPercent = 0.95
				for n, sub := range subs[i : i+perGroup] {
					k := binary.BigEndian.AppendUint64(nil, uint64(events+i+n))
					if err := x.Put(k, append(sub.Signed.Event, sub.Signed.Signature...)); err != nil {
						return err
					}
				}
				return nil
			}); err != nil {
				b.Fatal(err)
			}
		}
		theirs += time.Since(start)
		events += len(subs)
	}
	b.ReportMetric(float64(events)/ours.Seconds(), "events/s")
	b.ReportMetric(float64(events)/theirs.Seconds(), "bare-puts/s")
	b.ReportMetric(theirs.Seconds()/ours.Seconds(), "of-bare")
	b.ReportMetric(0, "ns/op")
}
