package station

import (
	"context"
	"strings"

	"barward/internal/evidence"
	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Evidence puts what was signed about a thing into one file that proves itself, signed by whose key is in use. What
// this workstation was just told may still not hang together, and nobody should find that out before a judge: the
// file is read back and checked before it is returned. cover, if not nil, makes the PDF in front from what was gathered. Reasons: EVIDENCE_UNSOUND and those of evidence.Gather and
// evidence.Write.
func (s *Station) Evidence(ctx context.Context, about evidence.What, exporter string,
	cover func(evidence.Pack) ([]byte, error)) ([]byte, error) {
	key, err := s.Unlocked()
	if err != nil {
		return nil, err
	}
	pack, err := evidence.Gather(ctx, gatherer{s}, about, exporter, key, s.Now())
	if err != nil {
		return nil, err
	}
	file, read, err := written(pack, key)
	if err != nil {
		return nil, err
	}
	if cover != nil {
		if pack.Cover, err = cover(read); err != nil {
			return nil, err
		}
		if file, read, err = written(pack, key); err != nil {
			return nil, err
		}
	}
	if report := evidence.Verify(read, pack.LogKey); !report.Sound() {
		return nil, refusal.New(refusal.DataLoss, "EVIDENCE_UNSOUND", "",
			"What the service answered about %s is not to be relied on: %d things are wrong with it, the first being: %s",
			about, len(report.Findings), report.Findings[0].Text)
	}
	return file, nil
}

// written is a pack as a file, and read back.
func written(pack evidence.Pack, key identity.Key) (file []byte, read evidence.Pack, err error) {
	if file, err = evidence.Write(pack, key); err == nil {
		read, err = evidence.Read(file)
	}
	return file, read, err
}

// gatherer is a station as the package evidence asks it.
type gatherer struct{ s *Station }

// known turns what the service answered into the refusals that gathering looks for.
func known(err error) error {
	if r := AsRefusal(err); r != nil {
		return r
	}
	return err
}

func (g gatherer) Get(ctx context.Context, kind pb.ThingKind, name string) (*pb.Thing, error) {
	thing, err := g.s.Get(ctx, kind, name)
	return thing, known(err)
}

func (g gatherer) Walk(ctx context.Context, kind pb.ThingKind, filter string, more func(*pb.Thing) bool) error {
	return known(g.s.Walk(ctx, kind, filter, more))
}

func (g gatherer) Trace(ctx context.Context, bar string) (*pb.TraceBarResponse, error) {
	trace, err := g.s.TraceBar(ctx, bar)
	return trace, known(err)
}

func (g gatherer) Entry(ctx context.Context, sequence uint64) (*pb.Entry, error) {
	e, err := g.s.Entry(ctx, sequence)
	return e, known(err)
}

func (g gatherer) Entries(ctx context.Context, kind string, more func(*pb.Entry) bool) error {
	ledger, err := g.s.Ledger(ctx)
	if err != nil {
		return known(err)
	}
	for token := ""; ; {
		bounded, cancel := g.s.call(ctx)
		page, err := ledger.ListEntries(bounded, &pb.ListEntriesRequest{Kind: kind, PageToken: token, PageSize: MaxPage})
		cancel()
		if err != nil {
			return known(err)
		}
		for _, e := range page.GetEntries() {
			if !more(e) {
				return nil
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			return nil
		}
	}
}

func (g gatherer) Checkpoint(ctx context.Context) ([]byte, string, error) {
	if err := g.s.Advance(ctx); err != nil {
		return nil, "", err
	}
	key, _, err := g.s.home.Read(LogKeyFile)
	return g.s.SeenNote(), strings.TrimSpace(string(key)), err
}

func (g gatherer) ProveInclusion(ctx context.Context, sequence, size uint64) ([]proof.Hash, error) {
	ledger, err := g.s.Ledger(ctx)
	if err != nil {
		return nil, known(err)
	}
	ctx, cancel := g.s.call(ctx)
	defer cancel()
	shown, err := ledger.ProveInclusion(ctx, &pb.ProveInclusionRequest{Sequence: sequence, TreeSize: size})
	if err != nil {
		return nil, known(err)
	}
	return hashes(shown.GetHashes())
}

func (g gatherer) ProveConsistency(ctx context.Context, old, size uint64) ([]proof.Hash, error) {
	ledger, err := g.s.Ledger(ctx)
	if err != nil {
		return nil, known(err)
	}
	ctx, cancel := g.s.call(ctx)
	defer cancel()
	shown, err := ledger.ProveConsistency(ctx, &pb.ProveConsistencyRequest{OldSize: old, NewSize: size})
	if err != nil {
		return nil, known(err)
	}
	return hashes(shown.GetHashes())
}

// TraceBar asks for the whole route of a bar by its full name.
func (s *Station) TraceBar(ctx context.Context, bar string) (*pb.TraceBarResponse, error) {
	book, err := s.Book(ctx)
	if err != nil {
		return nil, err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	return book.TraceBar(ctx, &pb.TraceBarRequest{Bar: bar})
}
