package service

import (
	"context"
	"strconv"

	"google.golang.org/protobuf/proto"

	"barward/internal/book"
	"barward/internal/ledger"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// bookService reads the current picture.
type bookService struct {
	pb.UnimplementedBookServiceServer
	*Service
}

// Get returns one thing.
func (s *bookService) Get(ctx context.Context, req *pb.GetRequest) (*pb.GetResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	if err := within("name", req.GetName(), maxName); err != nil {
		return nil, err
	}
	resp := new(pb.GetResponse)
	err = s.read(ctx, func(b *ledger.Book, size uint64) (err error) {
		resp.TreeSize = size
		resp.Thing, err = book.Get(b, who, req.GetKind(), req.GetName())
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// List returns a page of things of one kind, the oldest first.
func (s *bookService) List(ctx context.Context, req *pb.ListRequest) (*pb.ListResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	page, err := pageSize(req.GetPageSize())
	if err != nil {
		return nil, err
	}
	if err := within("page_token", req.GetPageToken(), maxToken); err != nil {
		return nil, err
	}
	if err := within("filter", req.GetFilter(), maxFilter); err != nil {
		return nil, err
	}
	resp := new(pb.ListResponse)
	err = s.read(ctx, func(b *ledger.Book, size uint64) error {
		// A page of large things may be too large to send. Then a shorter one is; its token leads on from there.
		for ; ; page = page / 2 {
			things, next, err := book.List(b, who, req.GetKind(), req.GetFilter(), req.GetPageToken(), page, size)
			if err != nil {
				return err
			}
			resp = &pb.ListResponse{Things: things, NextPageToken: next, TreeSize: size}
			if page == 1 || proto.Size(resp) <= maxPageBytes {
				return nil
			}
		}
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// TraceBar returns the whole route of a bar.
func (s *bookService) TraceBar(ctx context.Context, req *pb.TraceBarRequest) (resp *pb.TraceBarResponse, err error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	if err := within("bar", req.GetBar(), maxName); err != nil {
		return nil, err
	}
	err = s.read(ctx, func(b *ledger.Book, size uint64) error {
		if resp, err = book.Trace(b, who, req.GetBar()); err != nil {
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

// SummarizeDiscrepancies adds up the register.
func (s *bookService) SummarizeDiscrepancies(
	ctx context.Context, req *pb.SummarizeDiscrepanciesRequest,
) (resp *pb.SummarizeDiscrepanciesResponse, err error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	if err := within("filter", req.GetFilter(), maxFilter); err != nil {
		return nil, err
	}
	err = s.read(ctx, func(b *ledger.Book, size uint64) error {
		resp, err = book.Summarize(b, who, req.GetFilter(), size)
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// read runs f on the book as it stands. A call that was given up meanwhile is not served.
func (s *Service) read(ctx context.Context, f func(b *ledger.Book, size uint64) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return s.ledger.View(f)
}

// pageSize returns the number of items a page holds.
func pageSize(asked int32) (int, error) {
	switch {
	case asked == 0:
		return defaultPage, nil
	case asked < 0 || asked > maxPage:
		return 0, refusal.Invalidf("PAGE_SIZE_OUT_OF_RANGE", "page_size",
			"A page of %d is asked for; 1 to %d are allowed, and 0 stands for %d.", asked, maxPage, defaultPage).
			With("page_size", strconv.Itoa(int(asked)))
	}
	return int(asked), nil
}

// within refuses a text of a request that is longer than any that could be meant.
func within(field, text string, most int) error {
	if len(text) > most {
		return refusal.Invalidf("FIELD_TOO_LONG", field,
			"It has %d bytes, at most %d are allowed. Send a shorter one.", len(text), most).
			With("bytes", strconv.Itoa(len(text))).With("most", strconv.Itoa(most))
	}
	return nil
}
