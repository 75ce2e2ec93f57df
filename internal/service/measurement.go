package service

import (
	"context"
	"encoding/json"
	"strings"

	"barward/internal/book"
	"barward/internal/ledger"
	"barward/internal/reckoning"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// measurementService computes from figures given and keeps nothing.
type measurementService struct {
	pb.UnimplementedMeasurementServiceServer
	*Service
}

// Compute runs one computation.
func (s *measurementService) Compute(ctx context.Context, req *pb.ComputeRequest) (*pb.ComputeResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	name := strings.ToLower(strings.TrimPrefix(req.GetComputation().String(), "COMPUTATION_"))
	compute, ok := reckoning.Compute[name]
	if !ok || req.GetComputation() == pb.Computation_COMPUTATION_UNSPECIFIED {
		return nil, refusal.Invalidf("COMPUTATION_MISSING", "computation",
			"The request does not say what to compute. Set computation, such as COMPUTATION_WORKSHEET.")
	}
	if err := within("figures_json", req.GetFiguresJson(), maxMeasured); err != nil {
		return nil, err
	}
	answer, err := compute([]byte(req.GetFiguresJson()))
	if err != nil {
		return nil, refusal.In(err, "figures_json")
	}
	document, err := json.Marshal(answer)
	if err != nil {
		return nil, err
	}
	return &pb.ComputeResponse{Words: reckoning.Words(document), DocumentJson: string(document)}, nil
}

// ReportBias compares two stages or laboratories over many lots or bars. The record is read in one short view; what it
// comes to is computed after.
func (s *bookService) ReportBias(ctx context.Context, req *pb.ReportBiasRequest) (*pb.ReportBiasResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	for _, f := range []struct {
		field, text string
		most        int
	}{{"element", req.GetElement(), maxName}, {"counterparty", req.GetCounterparty(), maxName}, {"balance", req.GetBalance(), maxName},
		{"laboratory", req.GetLaboratory(), maxName}, {"method", req.GetMethod(), maxName}, {"settings_json", req.GetSettingsJson(), maxSettings}} {
		if err := within(f.field, f.text, f.most); err != nil {
			return nil, err
		}
	}
	var series book.BiasSeries
	var at uint64
	err = s.read(ctx, func(b *ledger.Book, size uint64) (err error) {
		at = size
		series, err = book.Bias(b, who, req)
		return err
	})
	if err != nil {
		return nil, err
	}
	resp, err := series.Report()
	if err != nil {
		return nil, err
	}
	resp.TreeSize = at
	return resp, nil
}

// GetBalanceStatus says where a balance stands at an instant.
func (s *bookService) GetBalanceStatus(ctx context.Context, req *pb.GetBalanceStatusRequest) (resp *pb.GetBalanceStatusResponse, err error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	for _, f := range []struct{ field, text string }{{"balance", req.GetBalance()}, {"at", req.GetAt()}} {
		if err := within(f.field, f.text, maxName); err != nil {
			return nil, err
		}
	}
	err = s.read(ctx, func(b *ledger.Book, size uint64) error {
		if resp, err = book.BalanceStatus(b, who, req.GetBalance(), req.GetAt()); err != nil {
			return err
		}
		resp.TreeSize = size
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// RecomputeAssay computes the raw worksheet of a report again, from the entry that holds it.
func (s *bookService) RecomputeAssay(ctx context.Context, req *pb.RecomputeAssayRequest) (*pb.RecomputeAssayResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	if err := within("report", req.GetReport(), maxName); err != nil {
		return nil, err
	}
	var record *pb.AssayRecord
	err = s.read(ctx, func(b *ledger.Book, _ uint64) (err error) {
		record, err = book.ReportOf(b, who, req.GetReport())
		return err
	})
	if err != nil {
		return nil, err
	}
	var entry *ledger.Entry
	if entry, err = s.ledger.Entry(record.GetEntry()); err != nil {
		return nil, err
	}
	event, err := book.Decode(entry.Event)
	if err != nil {
		return nil, err
	}
	return book.Recompute(record, event)
}
