// Package ledgertest helps tests that need a ledger: a toy judge, signed events, and ledgers that verify themselves when
// the test ends. Nothing outside tests imports it.
package ledgertest

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"
	"google.golang.org/protobuf/encoding/protowire"

	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// Origin is the invented name of the test log.
const Origin = "ledger.example/test"

// Judge is a toy: an event's payload is a short text, and the book counts.
//
//	add NAME N    adds N to NAME's total, which may be new
//	once NAME     as add NAME 1, but refused with TOY_TAKEN if NAME has a total
//	refuse        is refused with TOY_REFUSED
//	break         is accepted and then cannot be folded
//	panic         is accepted and then folding it panics
//
// The book also lists every event under its sequence, with whether a memo came with it left out, so that a replay gives
// the same bytes.
type Judge struct {
	// Skew, if set, makes Apply wrong: it is added to every N. A book folded by another Skew differs.
	Skew int64
}

const (
	totals = "totals"
	list   = "list"
)

// Decide implements ledger.Judge.
func (j Judge) Decide(book *ledger.Book, e *ledger.Entry) error {
	verb, name, _, err := command(e)
	switch {
	case err != nil:
		return refusal.Invalidf("TOY_MALFORMED", "payload", "The payload cannot be read: %v. Write add NAME N.", err)
	case verb == "refuse":
		return refusal.New(refusal.Precondition, "TOY_REFUSED", "payload", "The toy judge refuses this. Send something else.")
	case verb == "once" && book.Table(totals).Get([]byte(name)) != nil:
		return refusal.New(refusal.Precondition, "TOY_TAKEN", "payload", "%s has a total already. Choose another name.", name)
	}
	return nil
}

// Apply implements ledger.Judge.
func (j Judge) Apply(book *ledger.Book, e *ledger.Entry) error {
	verb, name, n, err := command(e)
	switch {
	case err != nil:
		return err
	case verb == "break":
		return errors.New("the toy judge breaks")
	case verb == "panic":
		panic("the toy judge panics")
	}
	t := book.Table(totals)
	total := n + j.Skew
	if old := t.Get([]byte(name)); old != nil {
		total += int64(binary.BigEndian.Uint64(old))
	}
	if err := t.Put([]byte(name), binary.BigEndian.AppendUint64(nil, uint64(total))); err != nil {
		return err
	}
	row := append(binary.BigEndian.AppendUint64(nil, uint64(e.RecordedAt.UnixMicro())), e.ID[:]...)
	return book.Table(list).Put(binary.BigEndian.AppendUint64(nil, e.Seq), row)
}

func command(e *ledger.Entry) (verb, name string, n int64, err error) {
	payload, ok := e.Memo.(string)
	if !ok {
		if payload, err = Payload(e.Event); err != nil {
			return "", "", 0, err
		}
	}
	words := strings.Fields(payload)
	switch {
	case len(words) == 3 && words[0] == "add":
		n, err = strconv.ParseInt(words[2], 10, 64)
		return words[0], words[1], n, err
	case len(words) == 2 && words[0] == "once":
		return words[0], words[1], 1, nil
	case len(words) == 1 && (words[0] == "refuse" || words[0] == "break" || words[0] == "panic"):
		return words[0], "", 0, nil
	}
	return "", "", 0, fmt.Errorf("unknown command %q", payload)
}

// Total reads the toy total of name from book.
func Total(book *ledger.Book, name string) int64 {
	total := book.Table(totals).Get([]byte(name))
	if total == nil {
		return 0
	}
	return int64(binary.BigEndian.Uint64(total))
}

// Key returns the n-th test author's key.
func Key(n int) ed25519.PrivateKey {
	seed := sha256.Sum256(fmt.Appendf(nil, "test author %d", n))
	return ed25519.NewKeyFromSeed(seed[:])
}

// ID returns the n-th test event id: a UUIDv7, later for larger n.
func ID(n int) uuid.UUID {
	var id uuid.UUID
	binary.BigEndian.PutUint64(id[:], (1_700_000_000_000+uint64(n))<<16)
	binary.BigEndian.PutUint64(id[8:], uint64(n))
	id[6] = 0x70
	id[8] = 0x80
	return id
}

// Event returns a signed event as proof.Open takes it, with payload as field 3.
func Event(key ed25519.PrivateKey, id uuid.UUID, payload string) proof.Signed {
	b := protowire.AppendTag(nil, 1, protowire.BytesType)
	b = protowire.AppendString(b, id.String())
	b = protowire.AppendTag(b, 2, protowire.BytesType)
	b = protowire.AppendBytes(b, key.Public().(ed25519.PublicKey))
	b = protowire.AppendTag(b, 3, protowire.BytesType)
	b = protowire.AppendString(b, payload)
	return proof.Sign(key, b)
}

// Payload returns field 3 of an event.
func Payload(event []byte) (string, error) {
	for b := event; len(b) > 0; {
		number, kind, n := protowire.ConsumeTag(b)
		if n < 0 {
			return "", protowire.ParseError(n)
		}
		b = b[n:]
		if number == 3 && kind == protowire.BytesType {
			v, n := protowire.ConsumeBytes(b)
			if n < 0 {
				return "", protowire.ParseError(n)
			}
			return string(v), nil
		}
		if n = protowire.ConsumeFieldValue(number, kind, b); n < 0 {
			return "", protowire.ParseError(n)
		}
		b = b[n:]
	}
	return "", errors.New("no payload")
}

// Submit checks an event and makes it a submission, as the service does.
func Submit(t testing.TB, signed proof.Signed) ledger.Submission {
	t.Helper()
	envelope, err := proof.Open(signed)
	if err != nil {
		t.Fatalf("test event: %v", err)
	}
	return ledger.Submission{Signed: signed, Envelope: envelope}
}

// Add returns the n-th test event, by one of three authors: add NAME 1, where NAME is one of ten.
func Add(t testing.TB, n int) ledger.Submission {
	t.Helper()
	return Submit(t, Event(Key(n%3), ID(n), fmt.Sprintf("add name%d 1", n%10)))
}

// LogKey returns the test log's key, always the same.
func LogKey() (private, public string) {
	seed := sha256.Sum256([]byte("test log"))
	key := ed25519.NewKeyFromSeed(seed[:])
	public, err := note.NewEd25519VerifierKey(Origin, key.Public().(ed25519.PublicKey))
	if err != nil {
		panic(err)
	}
	hash := strings.Split(public, "+")[1]
	return "PRIVATE+KEY+" + Origin + "+" + hash + "+" + base64.StdEncoding.EncodeToString(append([]byte{1}, seed[:]...)), public
}

// Config returns a configuration for tests: toy judge, test key, little address space, the real clock.
func Config() ledger.Config {
	private, _ := LogKey()
	signer, verifier, err := proof.NewSigner(private)
	if err != nil {
		panic(err)
	}
	return ledger.Config{
		Judge: Judge{}, Origin: Origin, Signer: signer, Verifier: verifier, Rules: 1, InitialMmap: 64 << 20,
	}
}

// Create makes a ledger in a folder of the test; see Watch for how it ends.
func Create(t testing.TB, change ...func(*ledger.Config)) *ledger.Ledger {
	t.Helper()
	c := Config()
	for _, f := range change {
		f(&c)
	}
	l, err := ledger.Create(filepath.Join(t.TempDir(), "ledger"), c)
	if err != nil {
		t.Fatalf("create: %v", err)
	}
	Watch(t, l)
	return l
}

// Open opens a ledger; see Watch for how it ends.
func Open(t testing.TB, path string, change ...func(*ledger.Config)) *ledger.Ledger {
	t.Helper()
	c := Config()
	for _, f := range change {
		f(&c)
	}
	l, err := ledger.Open(path, c)
	if err != nil {
		t.Fatalf("open: %v", err)
	}
	Watch(t, l)
	return l
}

// Watch closes l when the test ends. If it is open still and not halted, it first verifies every leaf, signature and hash
// and replays the book.
func Watch(t testing.TB, l *ledger.Ledger) {
	t.Cleanup(func() {
		if l.Err() == nil {
			Verify(t, l)
		}
		if err := l.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
}

// Verify fails the test unless l verifies.
func Verify(t testing.TB, l *ledger.Ledger) ledger.Report {
	t.Helper()
	report, err := l.Verify(context.Background(), nil)
	if err != nil {
		t.Errorf("verify: %v (cause: %v)", err, errors.Unwrap(err))
	}
	return report
}

// Dump prints all of a book, so that two can be compared whole.
func Dump(b *ledger.Book) string {
	var out bytes.Buffer
	for _, name := range b.Names() {
		fmt.Fprintf(&out, "%s:\n", name)
		c := b.Table(name).Cursor()
		for k, v := c.First(); k != nil; k, v = c.Next() {
			fmt.Fprintf(&out, "  %x = %x\n", k, v)
		}
	}
	return out.String()
}
