package main

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/rogpeppe/go-internal/testscript"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// Commands of the scenarios that look from outside: what the ledger holds, how a program ended, what a stranger may try.

// refused runs the client and demands that it fails with a stable reason and that nothing was written.
func (w *world) refused(ts *testscript.TestScript, args []string) error {
	reason := args[0]
	before, err := w.size()
	if err != nil {
		return err
	}
	if err := w.exits(ts, append([]string{strconv.Itoa(exitRefused)}, args[1:]...)); err != nil {
		return err
	}
	if said := ts.ReadFile("stderr"); !strings.Contains(said, "["+reason+"]") {
		return fmt.Errorf("the reason is not %s: %s", reason, said)
	}
	after, err := w.size()
	if err == nil && after != before {
		err = fmt.Errorf("the ledger has %d entries where it had %d: something was written", after, before)
	}
	return err
}

// exits runs the client and demands an exit code.
func (w *world) exits(ts *testscript.TestScript, args []string) error {
	want, err := strconv.Atoi(args[0])
	if err != nil {
		return err
	}
	got := 0
	var ended *exec.ExitError
	if err := w.as(ts, args[1], args[2:]...); errors.As(err, &ended) {
		got = ended.ExitCode()
	} else if err != nil {
		return err
	}
	if got != want {
		return fmt.Errorf("exit code %d, not %d", got, want)
	}
	return nil
}

// recorded reads entries of a kind back; the client checks their signatures.
func (w *world) recorded(ts *testscript.TestScript, args []string) error {
	if err := w.as(ts, args[1], "ledger", "entries", "--kind", args[0], "--output", "csv"); err != nil {
		return err
	}
	if rows := strings.Count(ts.ReadFile("stdout"), ","+strings.ReplaceAll(args[0], "_", " ")+","); rows == 0 {
		return fmt.Errorf("no entry of kind %s is shown", args[0])
	}
	return nil
}

// conn calls the server as no program of ours does.
func (w *world) conn(do func(ctx context.Context, conn *grpc.ClientConn) error) error {
	conn, err := grpc.NewClient("passthrough:///"+w.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return err
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	return do(ctx, conn)
}

// size is the number of entries under the server's checkpoint.
func (w *world) size() (size uint64, err error) {
	err = w.conn(func(ctx context.Context, conn *grpc.ClientConn) error {
		answer, err := pb.NewLedgerServiceClient(conn).GetCheckpoint(ctx, &pb.GetCheckpointRequest{})
		if err != nil {
			return err
		}
		lines := strings.SplitN(answer.GetCheckpoint(), "\n", 3) // C2SP tlog-checkpoint: origin, size, root
		size, err = strconv.ParseUint(lines[1], 10, 64)
		return err
	})
	return size, err
}

// token lets a call speak as a person.
func (w *world) token(ctx context.Context, who string) (identity.Key, context.Context, error) {
	passphrase, err := os.ReadFile(w.path("passphrase"))
	if err != nil {
		return identity.Key{}, ctx, err
	}
	key, _, err := identity.LoadKey(w.path("home", who, "key"), strings.TrimSpace(string(passphrase)))
	if err != nil {
		return key, ctx, err
	}
	origin, _, _ := strings.Cut(w.logKey, "+")
	token, err := identity.IssueToken(key, origin, time.Now(), time.Minute)
	return key, metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token), err
}

// forged sends an event that is not what its author signed:
//
//	bit      one bit of the event is another
//	name     it names another author than the key that signed it
//	purpose  it was signed, but not as an event
//	id       it bears the event id of another, which was recorded
func (w *world) forged(ts *testscript.TestScript, args []string) error {
	how, reason, who := args[0], args[1], args[2]
	before, err := w.size()
	if err != nil {
		return err
	}
	err = w.conn(func(ctx context.Context, conn *grpc.ClientConn) error {
		key, ctx, err := w.token(ctx, who)
		if err != nil {
			return err
		}
		id, err := uuid.NewV7()
		if err != nil {
			return err
		}
		ledger := pb.NewLedgerServiceClient(conn)
		event := &pb.Event{EventId: id.String(), AuthorKey: key.Public(), OccurredAt: w.at,
			Body: &pb.Event_IncidentReported{IncidentReported: &pb.IncidentReported{Subject: "quillmoss/A-1", Description: "never said"}}}
		switch how {
		case "name":
			other, _, err := w.token(ctx, "wren")
			if err != nil {
				return err
			}
			event.AuthorKey = other.Public()
		case "id":
			entry, err := ledger.GetEntry(ctx, &pb.GetEntryRequest{Key: &pb.GetEntryRequest_Sequence{Sequence: before - 1}})
			if err != nil {
				return err
			}
			event.EventId = entry.GetEntry().GetEvent().GetEventId()
		}
		raw, err := proto.Marshal(event)
		if err != nil {
			return err
		}
		signed := proof.Sign(key.Private(), raw)
		switch how {
		case "bit":
			signed.Event[len(signed.Event)-1] ^= 1
		case "purpose":
			signed.Signature = ed25519.Sign(key.Private(), raw)
		}
		_, err = ledger.Record(ctx, &pb.RecordRequest{SignedEvent: &pb.SignedEvent{Event: signed.Event, Signature: signed.Signature}})
		if r := station.OfStatus(err); r == nil || r.Reason != reason {
			return fmt.Errorf("the reason is not %s: %v", reason, err)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if after, err := w.size(); err != nil || after != before {
		return fmt.Errorf("%d entries, %d before: %w", after, before, err)
	}
	return nil
}

// otherVersion copies a ledger file and writes another version into the copy.
func otherVersion(_ *world, ts *testscript.TestScript, args []string) error {
	const ours, other = "barward ledger 1", "barward ledger 7"
	text := ts.ReadFile(args[0])
	if !strings.Contains(text, ours) {
		return fmt.Errorf("%s does not say %q", args[0], ours)
	}
	return os.WriteFile(ts.MkAbs(args[1]), []byte(strings.ReplaceAll(text, ours, other)), 0o600)
}

// asksPreview has the server compute a statement from figures alone.
func (w *world) asksPreview(ts *testscript.TestScript, args []string) error {
	figures, err := os.ReadFile(args[1])
	if err != nil {
		return err
	}
	return w.conn(func(ctx context.Context, conn *grpc.ClientConn) error {
		_, ctx, err := w.token(ctx, args[0])
		if err != nil {
			return err
		}
		answer, err := pb.NewSettlementServiceClient(conn).PreviewStatement(ctx,
			&pb.PreviewStatementRequest{From: &pb.PreviewStatementRequest_FiguresJson{FiguresJson: string(figures)}})
		if err != nil {
			return err
		}
		lines := make([]string, 0, len(answer.GetStatement().GetLines()))
		for _, l := range answer.GetStatement().GetLines() {
			lines = append(lines, strings.Join([]string{l.GetCode(), l.GetQuantity(), l.GetRate(), l.GetAmount()}, " | "))
		}
		return os.WriteFile(w.path("answer"), []byte(strings.Join(lines, "\n")+"\nnet "+answer.GetStatement().GetNet()+"\n"), 0o600)
	})
}

// Every kind of event that the protos know is recorded and read back by some scenario; the command `recorded` does the
// reading.
func TestScenariosNameEveryKind(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("testdata", "scenario", "*.txtar"))
	if err != nil {
		t.Fatal(err)
	}
	named := map[string]bool{}
	reads := regexp.MustCompile(`(?m)^recorded ([a-z_]+) `)
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, found := range reads.FindAllStringSubmatch(string(text), -1) {
			named[found[1]] = true
		}
	}
	kinds := (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range kinds.Len() {
		if kind := string(kinds.Get(i).Name()); !named[kind] {
			t.Errorf("no scenario records an event of the kind %s and reads it back", kind)
		}
	}
}
