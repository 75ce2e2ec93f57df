package main

import (
	"encoding/json"
	"errors"
	"os"
	"strings"
	"time"

	"github.com/google/uuid"
	"golang.org/x/term"
	"google.golang.org/protobuf/proto"

	"barward/internal/book"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type initCommand struct {
	where
	Origin         string `required:"" placeholder:"NAME" help:"Name of the log, unique to it and for ever, such as a domain name with a path: log.example/dore."`
	Operator       string `required:"" placeholder:"PARTY" help:"Id of the party that keeps the service: 2 to 32 lower-case letters, digits and hyphens."`
	OperatorName   string `required:"" placeholder:"NAME" help:"Name of that party as people write it."`
	Admin          string `required:"" placeholder:"PERSON" help:"Id of the first administrator: 2 to 32 lower-case letters, digits and hyphens."`
	AdminName      string `required:"" placeholder:"NAME" help:"Name of the administrator as people write it."`
	AdminKey       string `required:"" placeholder:"FILE" help:"Key file of the administrator, who signs the first two entries."`
	PassphraseFile string `placeholder:"FILE" help:"File with the passphrase of the key file. Otherwise the environment's BARWARD_PASSPHRASE, otherwise the terminal is asked."`
}

// created is what init tells.
type created struct {
	Ledger       string `json:"ledger"`
	LogKey       string `json:"log_key"`
	Origin       string `json:"origin"`
	LogPublicKey string `json:"log_public_key"` // for the clients, who check the log with it
	Admin        string `json:"admin"`
	AdminKeyID   string `json:"admin_key_id"`
	Entries      uint64 `json:"entries"`
}

// Run makes the ledger, its log key and its first two entries: the operator registers itself and enrols its
// administrator. They are signed events like any other; the book lets them through because the ledger is empty.
func (c *initCommand) Run(w *world) (err error) {
	passphrase, err := w.passphrase(c.PassphraseFile, "Passphrase of "+c.AdminKey+": ")
	if err != nil {
		return err
	}
	admin, _, err := identity.LoadKey(c.AdminKey, passphrase)
	if err != nil {
		return err
	}
	events := []*pb.Event{
		{Body: &pb.Event_PartyRegistered{PartyRegistered: &pb.PartyRegistered{
			PartyId: c.Operator, DisplayName: c.OperatorName, Kind: pb.PartyKind_PARTY_KIND_OPERATOR}}},
		{Body: &pb.Event_PersonEnrolled{PersonEnrolled: &pb.PersonEnrolled{
			PersonId: c.Admin, PartyId: c.Operator, DisplayName: c.AdminName, PublicKey: admin.Public(),
			Roles: []pb.Role{pb.Role_ROLE_ADMINISTRATOR}}}},
	}
	key, err := newLogKey(c.logKey(), c.Origin)
	if err != nil {
		return err
	}
	// From here on a failure takes back what this run has made, and nothing else, so that init can be run again.
	made := []string{c.logKey()}
	defer func() {
		for _, path := range made {
			if err != nil {
				err = errors.Join(err, os.Remove(path))
			}
		}
	}()
	l, err := ledger.Create(c.Ledger, key.config(writing))
	if err != nil {
		return err
	}
	made = append(made, c.Ledger)
	for _, event := range events {
		if err = w.recordFirst(l, admin, event); err != nil {
			break
		}
	}
	size := l.Size()
	if err = errors.Join(err, l.Close()); err != nil {
		return err
	}
	return w.tell(created{
		Ledger: c.Ledger, LogKey: c.logKey(), Origin: key.origin(), LogPublicKey: key.public,
		Admin: c.Operator + "/" + c.Admin, AdminKeyID: string(admin.ID()), Entries: size,
	})
}

// recordFirst signs event as the administrator and records it.
func (w *world) recordFirst(l *ledger.Ledger, admin identity.Key, event *pb.Event) error {
	id, err := uuid.NewV7()
	if err != nil {
		return err
	}
	event.EventId, event.AuthorKey, event.OccurredAt = id.String(), admin.Public(), w.now().Format(time.RFC3339)
	encoded, err := proto.Marshal(event)
	if err != nil {
		return err
	}
	sub := ledger.Submission{Signed: proof.Sign(admin.Private(), encoded)}
	if sub.Envelope, err = proof.Open(sub.Signed); err != nil {
		return err
	}
	if sub.Memo, err = book.Decode(encoded); err != nil {
		return err
	}
	_, err = l.Append(w.ctx, sub)
	return err
}

// tell writes an answer for programs to standard output.
func (w *world) tell(answer any) error {
	out := json.NewEncoder(w.stdout)
	out.SetIndent("", "  ")
	return out.Encode(answer)
}

const maxPassphraseFile = 4096 // bytes

// passphrase gets a passphrase from a file, from the environment or from the terminal, in this order.
func (w *world) passphrase(file, prompt string) (string, error) {
	if file != "" {
		text, err := os.ReadFile(file)
		if err != nil || len(text) > maxPassphraseFile {
			return "", refusal.New(refusal.Precondition, "PASSPHRASE_UNREADABLE", "passphrase_file",
				"No passphrase can be read from %s. Name a file whose only line is the passphrase.", file).About(file).Because(err)
		}
		return strings.TrimRight(string(text), "\r\n"), nil
	}
	if text := w.getenv("BARWARD_PASSPHRASE"); text != "" {
		return text, nil
	}
	if w.stdin == nil || !term.IsTerminal(int(w.stdin.Fd())) {
		return "", refusal.New(refusal.Precondition, "PASSPHRASE_MISSING", "",
			"The key file needs its passphrase, and there is no terminal to ask at. Give --passphrase-file, or set "+
				"BARWARD_PASSPHRASE for this run.")
	}
	if _, err := w.stderr.Write([]byte(prompt)); err != nil {
		return "", err
	}
	text, err := term.ReadPassword(int(w.stdin.Fd()))
	_, _ = w.stderr.Write([]byte("\n"))
	return string(text), err
}
