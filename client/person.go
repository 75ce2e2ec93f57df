package main

import (
	"crypto/rand"
	"strings"

	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type personCmd struct {
	Keygen  personKeygen  `cmd:"" help:"Make your key file. The private key never leaves it." example:"barward person keygen --key ana.key 'Ana, gold room'"`
	Enrol   personEnrol   `cmd:"" help:"Register a person's public key and roles." example:"barward person enrol ottermere/ana --name 'Ana' --public-key 3b6a27bcceb6a42d62a3a8d02a6f0d73653215771de243a63ac048a18b59da29 --role gold_room_officer"`
	Rotate  personRotate  `cmd:"" help:"Put a new key in the place of yours; the old key signs it as the last thing." example:"barward person rotate"`
	Revoke  personRevoke  `cmd:"" help:"Say that a key no longer counts. What it signed before stands; what it signed since --since is in doubt." example:"barward person revoke ottermere/ana --reason 'key file stolen' --since 2026-03-02T06:00:00-05:00"`
	Prove   personProve   `cmd:"" help:"Show that a new key is yours, for the administrator who puts it in the place of a lost one." example:"barward person prove ottermere/ana --key new.key --old-key 3b6a27bcceb6a42d62a3a8d02a6f0d73653215771de243a63ac048a18b59da29"`
	Recover personRecover `cmd:"" help:"Give a person a new key after the loss of theirs. For an administrator's a second person countersigns." example:"barward person recover ottermere/ana --public-key 3b6a27bcceb6a42d62a3a8d02a6f0d73653215771de243a63ac048a18b59da29 --proof 00 --reason 'the disk broke'"`
	Me      personMe      `cmd:"" help:"Who the service takes you for." example:"barward person me"`
	List    listCmd       `cmd:"" help:"List people." example:"barward person list"`
	Show    showCmd       `cmd:"" help:"Show a person." example:"barward person show ana"`
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
	passphrase, err := a.newPassphrase(a.g.PassphraseFile)
	if err != nil {
		return err
	}
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		return err
	}
	if err := saveKey(a.g.Key, key, c.Label, passphrase, c.Work); err != nil {
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

type personMe struct{}

// Run shows who the key speaks for, as the service has it now.
func (c *personMe) Run(a *app) error {
	key, err := a.person()
	if err != nil {
		return err
	}
	person, err := a.station.FindPerson(a.ctx, key.Public())
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
