package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	"barward/client/station"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

func statusWith(t *testing.T, code codes.Code, message string, details ...protoadapt.MessageV1) error {
	t.Helper()
	s, err := status.New(code, message).WithDetails(details...)
	if err != nil {
		t.Fatal(err)
	}
	return s.Err()
}

// What the service says reaches a person once, in words: where, what, what to do, and the reason to look up.
func TestSentences(t *testing.T) {
	info := func(reason string, values map[string]string) protoadapt.MessageV1 {
		return &errdetails.ErrorInfo{Reason: reason, Domain: "barward", Metadata: values}
	}
	invalid := statusWith(t, codes.InvalidArgument, "bars[1].mark: the mark is in use; choose another",
		info("MARK_IN_USE", nil),
		&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: "bars[1].mark",
			Description: "the mark is in use; choose another"}}})
	for _, tt := range []struct {
		name string
		err  error
		want string
		code int
	}{
		{"field", invalid, "REFUSED  bars[1].mark: the mark is in use; choose another [MARK_IN_USE]\n", exitRefused},
		{"wrapped", fmt.Errorf("outside: %w", invalid),
			"REFUSED  bars[1].mark: the mark is in use; choose another [MARK_IN_USE]\n", exitRefused},
		{"subject", statusWith(t, codes.FailedPrecondition, "the exchange is closed", info("EXCHANGE_CLOSED", nil),
			&errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{{Subject: "quillhaven/L-1"}}}),
			"REFUSED  quillhaven/L-1: the exchange is closed [EXCHANGE_CLOSED]\n", exitRefused},
		{"field in the metadata", statusWith(t, codes.NotFound, "lot: there is no lot L-9", info("LOT_UNKNOWN",
			map[string]string{"field": "lot", "subject": "L-9"})),
			"REFUSED  lot: there is no lot L-9 [LOT_UNKNOWN]\n", exitRefused},
		{"link down", status.Error(codes.Unavailable, "connection error: desc = \"transport: …\""),
			"FAILED   The service does not answer. See that the link is up and --server names it. [LINK_DOWN]\n", exitRefused},
		{"its own bug", statusWith(t, codes.Internal, "The service failed.", info("INTERNAL", nil)),
			"FAILED   The service failed. [INTERNAL]\n", exitRefused},
		{"ours", refusal.Invalidf("KEY_MISSING", "--key", "No key file is named."),
			"REFUSED  --key: No key file is named. [KEY_MISSING]\n", exitRefused},
		{"no refusal at all", fs.ErrPermission, "FAILED   permission denied\n", exitRefused},
		{"kept", keptBecause(2, status.Error(codes.Unavailable, "gone")), "… 2 kept in the outbox, not yet recorded; `barward ledger send` sends what waits\n", exitKept},
		{"not proven", notProven(context.DeadlineExceeded), "recorded, and not yet proven to be in the log", exitKept},
		{"alarm", fmt.Errorf("at the end: %w", &station.Untrusted{Cause: errors.New("two trees")}),
			"*** DO NOT RELY ON THIS LOG ***\n", exitUntrusted},
		{"told before", errTold, "", exitRefused},
		{"nothing", nil, "", exitDone},
	} {
		var out bytes.Buffer
		code := (&app{complain: &out}).report(tt.err)
		if code != tt.code || !strings.Contains(out.String(),
			tt.want) || tt.want == "" && out.Len() > 0 || strings.Contains(out.String(), "rpc error") {
			t.Errorf("%s: exit %d, %q; want %d, %q", tt.name, code, out.String(), tt.code, tt.want)
		}
	}
}

// A refusal in the stream that is not about the event, such as a full disk, leaves it waiting.
func TestRefusalThatIsNotAboutTheEvent(t *testing.T) {
	for _, code := range []codes.Code{codes.Unavailable, codes.Unauthenticated, codes.ResourceExhausted,
		codes.Internal, codes.DataLoss, codes.Unknown} {
		f := newFake(t)
		f.Refuse = func(*pb.Event) *pb.Refusal {
			return &pb.Refusal{Code: int32(code), Reason: "OF_THE_SERVICE", Message: "Not now."}
		}
		server, _ := f.Serve(t, "127.0.0.1:0")
		d := newDesk(t, f, server)
		d.run(incident...).want(t, exitKept, "Not now. [OF_THE_SERVICE]", "1 kept in the outbox")
		f.Refuse = nil
		d.run("ledger", "send").want(t, exitDone, "recorded as entry 0")
	}
}
