package main

import (
	"crypto/rand"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"

	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type personCmd struct {
	Keygen personKeygen `cmd:"" help:"Make your key file. The private key never leaves it." example:"barward person keygen --key ana.key 'Ana, gold room'"`
	Enrol  personEnrol  `cmd:"" help:"Register a person's public key and roles." example:"barward person enrol ottermere/ana --name 'Ana' --public-key 3b6a27bcceb6a42d62a3a8d02a6f0d73653215771de243a63ac048a18b59da29 --role gold_room_officer"`
	Revoke personRevoke `cmd:"" help:"Say that a key no longer counts. What it signed before stands." example:"barward person revoke ottermere/ana --reason 'key file lost'"`
	Me     personMe     `cmd:"" help:"Who the service takes you for." example:"barward person me"`
	List   listCmd      `cmd:"" help:"List people." example:"barward person list"`
	Show   showCmd      `cmd:"" help:"Show a person." example:"barward person show ana"`
}

type personKeygen struct {
	Label string `arg:"" help:"A label for your own eye."`
	Work  int    `help:"How hard the passphrase is to guess, 10 to 20; 18 takes about a second." default:"18"`
}

// Run makes a key file.
func (c *personKeygen) Run(a *app) error {
	if a.g.Key == "" {
		return refusal.Invalidf("KEY_MISSING", "--key", "Say with --key where the new key file shall be.")
	}
	passphrase, err := a.passphrase("New passphrase: ")
	if err != nil {
		return err
	}
	if a.g.PassphraseFile == "" {
		again, err := a.passphrase("Again: ")
		if err != nil {
			return err
		}
		if again != passphrase {
			return refusal.Invalidf("PASSPHRASE_DIFFERS", "", "The two passphrases are not the same; no key was made.")
		}
	}
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(a.g.Key), 0o700); err != nil { // on a new machine, home is not there yet
		return notKept(a.g.Key, err)
	}
	if err := identity.SaveKey(a.g.Key, key, c.Label, passphrase, c.Work); err != nil {
		return err
	}
	t := table{columns: []string{"key file", "public key"}}
	t.add(a.g.Key, string(key.ID()))
	if a.g.Output == "json" {
		return a.showValue(map[string]string{"key_file": a.g.Key, "public_key": string(key.ID())})
	}
	if err := a.showTable(t); err != nil {
		return err
	}
	say(a.complain,
		"Give the public key to the administrator of your party. Keep a copy of the file: nobody can make it again.\n")
	return nil
}

type personEnrol struct {
	Person    string   `arg:"" help:"party/person, or person of your own party."`
	Name      string   `required:"" help:"Name as people write it."`
	PublicKey string   `required:"" help:"Public key, 64 hexadecimal digits."`
	Role      []string `required:"" help:"Roles: administrator, gold_room_officer, witness, custodian, receiving_clerk, assayer, commercial_manager, auditor."`
}

// Run records the enrolment.
func (c *personEnrol) Run(a *app) error {
	id, err := identity.ParseKeyID(c.PublicKey)
	if err != nil {
		return err
	}
	public, err := id.Public()
	if err != nil {
		return err
	}
	full, err := a.ref(c.Person)
	if err != nil {
		return err
	}
	party, person, _ := strings.Cut(full, "/")
	event := &pb.PersonEnrolled{PersonId: person, PartyId: party, DisplayName: c.Name, PublicKey: public}
	for _, word := range c.Role {
		role, err := choose(pb.Role_value, "ROLE_", word, "--role")
		if err != nil {
			return err
		}
		event.Roles = append(event.Roles, pb.Role(role))
	}
	return a.record(event)
}

type personRevoke struct {
	Person string `arg:"" help:"party/person, or the public key."`
	Reason string `required:"" help:"Why."`
}

// Run records the revocation.
func (c *personRevoke) Run(a *app) error {
	public, err := hex.DecodeString(c.Person)
	if err != nil || len(public) != 32 {
		thing, err := a.get(pb.ThingKind_THING_KIND_PERSON, c.Person)
		if err != nil {
			return err
		}
		public = thing.GetPerson().GetPublicKey()
	}
	return a.record(&pb.KeyRevoked{PublicKey: public, Reason: c.Reason})
}

type personMe struct{}

// Run shows who the key speaks for, as the service has it now.
func (c *personMe) Run(a *app) error {
	key, err := a.person()
	if err != nil {
		return err
	}
	person, err := a.findPerson(key.Public())
	if err != nil {
		return err
	}
	return a.showThing(pb.ThingKind_THING_KIND_PERSON, &pb.Thing{Thing: &pb.Thing_Person{Person: person}})
}

func shortKey(public []byte) string {
	if len(public) != 32 {
		return ""
	}
	return identity.KeyIDOf(public).Short()
}
