package main

import (
	"context"
	"errors"
	"strings"

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

// ofStatus reads a refusal that came as the error of a call; nil if err is none.
func ofStatus(err error) *refusal.Error {
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

// asRefusal reads any error that says why.
func asRefusal(err error) *refusal.Error {
	if r := refusal.As(err); r != nil {
		return r
	}
	return ofStatus(err)
}

// unreachable reports whether the service could not be asked at all.
func unreachable(err error) bool {
	r := asRefusal(err)
	return errors.Is(err, context.DeadlineExceeded) || r != nil && r.Kind == refusal.Unavailable
}

// sentence says in words what an error is: where, what was found and what to do.
func sentence(err error) string {
	r := asRefusal(err)
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

// report tells a person how the run ended and returns its exit code.
func (a *app) report(err error) int {
	var alarm *untrusted
	var waits *kept
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errTold):
		return exitRefused
	case errors.As(err, &alarm):
		say(a.complain,
			"\n*** DO NOT RELY ON THIS LOG ***\n  %s\n  Record nothing more there and tell the other parties.\n", alarm)
		return exitUntrusted
	case errors.As(err, &waits):
		if waits.cause != nil {
			say(a.complain, "%s\n", sentence(waits.cause))
		}
		say(a.complain, "… %s\n", waits)
		return exitKept
	}
	verdict := "REFUSED"
	if r := asRefusal(err); r == nil || unreachable(err) || r.Kind == refusal.Internal {
		verdict = "FAILED"
	}
	say(a.complain, "%-8s %s\n", verdict, sentence(err))
	return exitRefused
}
