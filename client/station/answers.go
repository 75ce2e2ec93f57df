package station

import (
	"context"
	"errors"
	"strings"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// kinds turns the code of an answer back into what the caller should do next.
var kinds = map[codes.Code]refusal.Kind{
	codes.InvalidArgument: refusal.Invalid, codes.FailedPrecondition: refusal.Precondition, codes.Aborted: refusal.Aborted,
	codes.AlreadyExists: refusal.Exists, codes.NotFound: refusal.NotFound, codes.OutOfRange: refusal.OutOfRange,
	codes.Unauthenticated: refusal.Unauthenticated, codes.PermissionDenied: refusal.Forbidden,
	codes.ResourceExhausted: refusal.Exhausted, codes.Unavailable: refusal.Unavailable,
	codes.DeadlineExceeded: refusal.Unavailable, codes.Canceled: refusal.Unavailable, codes.DataLoss: refusal.DataLoss,
}

// ofRefusal reads a refusal that came in a stream.
func ofRefusal(r *pb.Refusal) *refusal.Error {
	text := r.GetMessage()
	if text == "" {
		text = "The service did not say why."
	}
	return &refusal.Error{Kind: kinds[codes.Code(r.GetCode())], Reason: r.GetReason(), Field: r.GetField(),
		Subject: r.GetValues()["subject"],
		Text:    plain(text, r.GetField()), Values: r.GetValues()}
}

// OfStatus reads a refusal that came as the error of a call; nil if err is none.
func OfStatus(err error) *refusal.Error {
	var carrier interface{ GRPCStatus() *status.Status } // not status.FromError, which adds what wraps it to the message
	if !errors.As(err, &carrier) || carrier.GRPCStatus().Code() == codes.OK {
		return nil
	}
	s := carrier.GRPCStatus()
	e := &refusal.Error{Kind: kinds[s.Code()], Text: s.Message(), Cause: err}
	for _, detail := range s.Details() {
		switch d := detail.(type) {
		case *errdetails.ErrorInfo:
			e.Reason, e.Values = d.GetReason(), d.GetMetadata()
			e.Field, e.Subject = e.Values["field"], e.Values["subject"]
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				if e.Field = v.GetField(); v.GetDescription() != "" {
					e.Text = v.GetDescription()
				}
			}
		case *errdetails.PreconditionFailure:
			for _, v := range d.GetViolations() {
				e.Subject = v.GetSubject()
			}
		}
	}
	if e.Reason == "" && (s.Code() == codes.Unavailable || s.Code() == codes.DeadlineExceeded) {
		e.Reason, e.Text = "LINK_DOWN", "The service does not answer. See that the link is up and --server names it."
	}
	e.Text = plain(e.Text, e.Field)
	return e
}

// plain takes the field off a message that begins with it, because it is shown in a place of its own.
func plain(text, field string) string { return strings.TrimPrefix(text, field+": ") }

// AsRefusal reads any error that says why, ours or the service's; nil if err says nothing of the kind.
func AsRefusal(err error) *refusal.Error {
	if r := refusal.As(err); r != nil {
		return r
	}
	return OfStatus(err)
}

// Unreachable reports whether the service could not be asked at all.
func Unreachable(err error) bool {
	r := AsRefusal(err)
	return errors.Is(err, context.DeadlineExceeded) || r != nil && r.Kind == refusal.Unavailable
}

// Sentence says in words what an error is: where, what was found and what to do.
func Sentence(err error) string {
	r := AsRefusal(err)
	if r == nil {
		return err.Error()
	}
	text := r.Error()
	if r.Subject != "" && !strings.Contains(text, r.Subject) {
		text = r.Subject + ": " + text
	}
	if r.Reason != "" {
		text += " [" + r.Reason + "]"
	}
	return text
}

// TextOf is what an error says, without its place and reason: a glance has no room for them.
func TextOf(err error) string {
	if r := AsRefusal(err); r != nil {
		return r.Text
	}
	return err.Error()
}

// Printable keeps what a stranger wrote from moving the cursor or colouring the terminal.
func Printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == utf8.RuneError {
			return '·'
		}
		return r
	}, s)
}
