package service

import (
	"context"
	"errors"
	"sort"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// errorDomain is the domain of every ErrorInfo of ours: a reason is unique within it.
const errorDomain = "barward"

// reasonInternal stands for every failure that is our bug. What failed is in the log, under the request id.
const reasonInternal = "INTERNAL"

// codeOf answers the caller's question, what to do next, in the words of gRPC.
var codeOf = map[refusal.Kind]codes.Code{
	refusal.Internal:        codes.Internal,
	refusal.Invalid:         codes.InvalidArgument,
	refusal.Precondition:    codes.FailedPrecondition,
	refusal.Aborted:         codes.Aborted,
	refusal.Exists:          codes.AlreadyExists,
	refusal.NotFound:        codes.NotFound,
	refusal.OutOfRange:      codes.OutOfRange,
	refusal.Unauthenticated: codes.Unauthenticated,
	refusal.Forbidden:       codes.PermissionDenied,
	refusal.Exhausted:       codes.ResourceExhausted,
	refusal.Unavailable:     codes.Unavailable,
	refusal.DataLoss:        codes.DataLoss,
}

// shown returns what of err the caller may see, and its code. An error that is no refusal, and a refusal that is our
// bug, is shown as nothing but the request id under which the log has it.
func shown(err error, requestID string) (*refusal.Error, codes.Code) {
	r := refusal.As(err)
	switch {
	case r == nil && errors.Is(err, context.DeadlineExceeded):
		return refusal.New(refusal.Unavailable, "DEADLINE_EXCEEDED", "",
			"The time allowed for the call ran out; an event sent with it may have been taken or not. "+
				"Send the same again, with more time; it counts once."), codes.DeadlineExceeded
	case r == nil && errors.Is(err, context.Canceled):
		return refusal.New(refusal.Unavailable, "CANCELLED", "",
			"The call was given up; an event sent with it may have been taken or not. "+
				"Send the same again; it counts once."), codes.Canceled
	case r == nil || r.Kind == refusal.Internal:
		return hidden(requestID), codes.Internal
	}
	code, known := codeOf[r.Kind]
	if !known {
		return hidden(requestID), codes.Internal
	}
	return r, code
}

func hidden(requestID string) *refusal.Error {
	return refusal.New(refusal.Internal, reasonInternal, "",
		"The service failed; it is not your request's fault. Send the same again; if it fails again, give the operator "+
			"the request id %s.", requestID).With("request_id", requestID)
}

// statusOf renders err for the wire, with details that programs read. A status made by gRPC itself, such as a message
// beyond its bound, goes through as it is.
func statusOf(err error, requestID string) error {
	if err == nil {
		return nil
	}
	if already, ok := err.(interface{ GRPCStatus() *status.Status }); ok {
		return already.GRPCStatus().Err()
	}
	r, code := shown(err, requestID)
	details := []protoadapt.MessageV1{&errdetails.ErrorInfo{
		Reason: r.Reason, Domain: errorDomain, Metadata: metadataOf(r)}}
	switch r.Kind {
	case refusal.Invalid:
		details = append(details, &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
			{Field: bounded(r.Field, maxValue), Description: bounded(r.Text, maxShown), Reason: r.Reason}}})
	case refusal.Precondition:
		details = append(details, &errdetails.PreconditionFailure{
			Violations: []*errdetails.PreconditionFailure_Violation{
				{Type: r.Reason, Subject: bounded(r.Subject, maxValue), Description: bounded(r.Text, maxShown)}}})
	}
	if after, err := time.ParseDuration(r.Values[retryAfter]); err == nil {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(after)})
	} else if r.Kind == refusal.Unavailable {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(retryDelay)})
	}
	made := status.New(code, bounded(r.Error(), maxShown))
	if with, err := made.WithDetails(details...); err == nil {
		made = with
	}
	return made.Err()
}

// refusalProto renders err where no status can carry it: inside a stream that goes on.
func refusalProto(err error, requestID string) *pb.Refusal {
	r, code := shown(err, requestID)
	return &pb.Refusal{
		Code:    int32(code),
		Reason:  r.Reason,
		Field:   bounded(r.Field, maxValue),
		Message: bounded(r.Error(), maxShown),
		Values:  metadataOf(r),
	}
}

// metadataOf returns the values that the message mentions. Field and subject stand there too, under those names, when no
// other detail carries them, so that a client finds them whatever the code.
func metadataOf(r *refusal.Error) map[string]string {
	metadata := map[string]string{}
	names := make([]string, 0, len(r.Values))
	for name := range r.Values {
		names = append(names, name)
	}
	sort.Strings(names) // so that what is left out beyond maxValues does not depend on chance
	for _, name := range names[:min(len(names), maxValues)] {
		metadata[bounded(name, maxValue)] = bounded(r.Values[name], maxValue)
	}
	if _, taken := metadata["field"]; !taken && r.Field != "" && r.Kind != refusal.Invalid {
		metadata["field"] = bounded(r.Field, maxValue)
	}
	if _, taken := metadata["subject"]; !taken && r.Subject != "" && r.Kind != refusal.Precondition {
		metadata["subject"] = bounded(r.Subject, maxValue)
	}
	return metadata
}

// bounded returns text as valid UTF-8 of at most most bytes. Values may quote what a caller sent: bytes that are no
// UTF-8 would make the whole status impossible to send, and a megabyte of headers too.
func bounded(text string, most int) string {
	text = strings.ToValidUTF8(text, "\uFFFD")
	if len(text) <= most {
		return text
	}
	const dots = "…"
	cut := most - len(dots)
	for cut > 0 && !utf8.RuneStart(text[cut]) {
		cut--
	}
	return text[:cut] + dots
}
