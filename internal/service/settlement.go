package service

import (
	"context"

	"barward/internal/book"
	"barward/internal/ledger"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// settlementService computes and writes nothing.
type settlementService struct {
	pb.UnimplementedSettlementServiceServer
	*Service
}

// PreviewStatement computes a statement from a lot on record, or from figures given.
func (s *settlementService) PreviewStatement(
	ctx context.Context, req *pb.PreviewStatementRequest,
) (*pb.PreviewStatementResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	resp := new(pb.PreviewStatementResponse)
	switch from := req.GetFrom().(type) {
	case *pb.PreviewStatementRequest_Lot:
		if err := within("lot", from.Lot, maxName); err != nil {
			return nil, err
		}
		err = s.read(ctx, func(b *ledger.Book, size uint64) (err error) {
			resp.Statement, err = book.Preview(b, who, from.Lot, req.GetKind(), req.GetSettledOn(), size)
			return err
		})
	case *pb.PreviewStatementRequest_FiguresJson:
		if err := within("figures_json", from.FiguresJson, maxFigures); err != nil {
			return nil, err
		}
		resp.Statement, err = book.PreviewFigures([]byte(from.FiguresJson))
	default:
		return nil, refusal.Invalidf("FROM_MISSING", "from",
			"The request names neither a lot nor figures. Set lot or figures_json.")
	}
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// ReconcileReturn compares a return with the statement of a lot.
func (s *settlementService) ReconcileReturn(
	ctx context.Context, req *pb.ReconcileReturnRequest,
) (resp *pb.ReconcileReturnResponse, err error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	if err := within("lot", req.GetLot(), maxName); err != nil {
		return nil, err
	}
	if err := within("document", req.GetDocument(), maxReturn); err != nil {
		return nil, err
	}
	err = s.read(ctx, func(b *ledger.Book, _ uint64) error {
		resp, err = book.Reconcile(b, who, req.GetLot(), req.GetDocument())
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// AdviseUmpire says what going on to the umpire is worth.
func (s *settlementService) AdviseUmpire(
	ctx context.Context, req *pb.AdviseUmpireRequest,
) (resp *pb.AdviseUmpireResponse, err error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	for field, text := range map[string]string{"lot": req.GetLot(), "element": req.GetElement()} {
		if err := within(field, text, maxName); err != nil {
			return nil, err
		}
	}
	if err := within("figures_json", req.GetFiguresJson(), maxAdvice); err != nil {
		return nil, err
	}
	err = s.read(ctx, func(b *ledger.Book, _ uint64) error {
		resp, err = book.AdviseUmpire(b, who, req.GetLot(), req.GetElement(), []byte(req.GetFiguresJson()))
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}
