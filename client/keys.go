package main

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// saveKey makes a key file, and its folder where a new machine has none.
func saveKey(path string, key identity.Key, label, passphrase string, work int) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return station.NotKept(path, err)
	}
	return identity.SaveKey(path, key, label, passphrase, work)
}

type personRotate struct {
	NewPassphraseFile string `help:"File whose first line opens the new key file; the old one's passphrase if not given." type:"path"`
	Work              int    `help:"How hard the passphrase is to guess, 10 to 20." default:"18"`
}

// Run makes the new key file beside the old one, has the old key sign the change, and puts the new file in the
// place of the old one when the change is on record; the old file is kept under another name. Begun again after an
// interruption, it goes on where it was.
func (c *personRotate) Run(a *app) error {
	old, err := a.person()
	if err != nil {
		return err
	}
	path := a.g.Key + ".new"
	next, begun, err := c.next(a, path)
	if err != nil {
		return err
	}
	recorded := false
	if begun {
		if recorded, err = a.registered(next); err != nil {
			return err
		}
		if !recorded {
			a.station.Use(old)
		}
	}
	if !recorded {
		recorded, err = a.rotate(old, next)
		if !recorded {
			return err // why it waits, or was refused
		}
	}
	kept := a.g.Key + ".old-" + string(old.ID()[:8])
	if err := os.Link(a.g.Key, kept); err != nil && !errors.Is(err, fs.ErrExist) { // it is there after an interruption
		return station.NotKept(kept, err)
	}
	if err := os.Rename(path, a.g.Key); err != nil {
		return station.NotKept(a.g.Key, err)
	}
	say(a.complain, "%s holds the new key %s now; the old file is kept as %s, and its key counts no more.\n",
		a.g.Key, next.ID().Short(), kept)
	return err // such as a link that was lost before the proof
}

// next opens the new key file, or makes it.
func (c *personRotate) next(a *app, path string) (key identity.Key, begun bool, err error) {
	file := c.NewPassphraseFile
	if file == "" {
		file = a.g.PassphraseFile
	}
	if _, err := os.Stat(path); err == nil {
		passphrase, err := a.passphrase(file, "Passphrase of the new key file "+path+": ")
		if err != nil {
			return key, true, err
		}
		key, _, err = identity.LoadKey(path, passphrase)
		return key, true, err
	}
	passphrase, err := a.newPassphrase(file)
	if err != nil {
		return key, false, err
	}
	if key, err = identity.NewKey(rand.Reader); err != nil {
		return key, false, err
	}
	return key, false, saveKey(path, key, a.label, passphrase, c.Work)
}

// registered reports whether the service knows a new key already: an earlier run was broken off after it was recorded.
func (a *app) registered(next identity.Key) (bool, error) {
	a.station.Use(next)
	_, err := a.station.FindPerson(a.ctx, next.Public())
	r := station.AsRefusal(err)
	switch {
	case err == nil:
		return true, nil
	case station.Unreachable(err) || r != nil && (r.Kind == refusal.Unauthenticated || r.Reason == "KEY_UNKNOWN"):
		return false, nil
	}
	return false, err
}

// rotate records the change. From its receipt on, only the new key is answered.
func (a *app) rotate(old, next identity.Key) (recorded bool, err error) {
	if err := a.putRotation(old, next); err != nil {
		return false, err
	}
	var answers []station.Answer
	stopped := a.station.Flush(a.ctx, func(to station.Answer) {
		answers = append(answers, to)
		if isRotation(to.Item, next) && to.Err == nil {
			recorded = true
			a.station.Use(next)
		}
	})
	return recorded, a.tell(answers, stopped)
}

// putRotation signs the change, unless it waits in the outbox since an earlier run.
func (a *app) putRotation(old, next identity.Key) error {
	waiting, err := a.box.Waiting(outbox.MaxPage)
	if err != nil {
		return err
	}
	for _, item := range waiting {
		if isRotation(item, next) {
			return nil
		}
	}
	_, person, err := a.station.Identify(a.ctx)
	if err == nil && person == "" { // --party was given
		var found *pb.Person
		found, err = a.station.FindPerson(a.ctx, old.Public())
		person = found.GetName()
	}
	if err != nil {
		return err
	}
	event, err := a.envelope(&pb.KeyRotated{NewPublicKey: next.Public(),
		Proof: identity.ProvePossession(next, person, old.Public())})
	if err != nil {
		return err
	}
	_, err = a.put(event)
	return err
}

func isRotation(item outbox.Item, next identity.Key) bool {
	event := &pb.Event{}
	return proto.Unmarshal(item.Signed.Event, event) == nil &&
		bytes.Equal(event.GetKeyRotated().GetNewPublicKey(), next.Public())
}

type personRevoke struct {
	Person string `arg:"" help:"party/person, or the public key."`
	Reason string `required:"" help:"Why."`
	Since  string `help:"Instant from which the key may have been in other hands, RFC 3339 with zone; not given where it never was." placeholder:"TIME"`
}

// Run records the revocation.
func (c *personRevoke) Run(a *app) error {
	if err := checkInstant(c.Since, "--since"); err != nil {
		return err
	}
	public, err := hex.DecodeString(c.Person)
	if err != nil || len(public) != ed25519.PublicKeySize {
		thing, err := a.get(pb.ThingKind_THING_KIND_PERSON, c.Person)
		if err != nil {
			return err
		}
		public = thing.GetPerson().GetPublicKey()
	}
	return a.record(&pb.KeyRevoked{PublicKey: public, Reason: c.Reason, Since: c.Since})
}

func checkInstant(text, flag string) error {
	if text == "" {
		return nil
	}
	if _, err := time.Parse(time.RFC3339, text); err != nil {
		return refusal.Invalidf("TIME_MALFORMED", flag,
			"%q is no instant; write RFC 3339 with a zone, such as 2026-03-02T07:40:00-05:00.", text)
	}
	return nil
}

type personProve struct {
	Person string `arg:"" help:"You, as party/person."`
	OldKey string `required:"" help:"The public key that is lost, 64 hexadecimal digits; 'barward person show' has it."`
}

// Run signs with the new key, which --key names, that it takes the place of the old one. It needs no service.
func (c *personProve) Run(a *app) error {
	id, err := identity.ParseKeyID(c.OldKey)
	if err != nil {
		return refusal.In(err, "--old-key")
	}
	old, err := id.Public()
	if err != nil {
		return refusal.In(err, "--old-key")
	}
	key, err := a.person()
	if err != nil {
		return err
	}
	proof := hex.EncodeToString(identity.ProvePossession(key, c.Person, old))
	if a.g.Output == "json" {
		return a.showValue(map[string]string{"person": c.Person, "public_key": string(key.ID()), "proof": proof})
	}
	t := table{columns: []string{"person", "public key", "proof"}}
	t.add(c.Person, string(key.ID()), proof)
	if a.g.Output == "csv" {
		return a.showTable(t)
	}
	say(a.out, "public key  %s\nproof       %s\n", key.ID(), proof)
	say(a.complain, "Give both to the administrator of your party, by a way on which they know you.\n")
	return nil
}

type personRecover struct {
	Person    string `arg:"" help:"party/person."`
	PublicKey string `required:"" help:"Their new public key, 64 hexadecimal digits."`
	Proof     string `required:"" help:"What 'barward person prove' gave them, 128 hexadecimal digits."`
	Reason    string `required:"" help:"How the key was lost."`
	Since     string `help:"Instant from which the lost key may have been in other hands, RFC 3339 with zone; not given where it was only lost." placeholder:"TIME"`
}

// Run records the new key.
func (c *personRecover) Run(a *app) error {
	if err := checkInstant(c.Since, "--since"); err != nil {
		return err
	}
	id, err := identity.ParseKeyID(c.PublicKey)
	if err != nil {
		return refusal.In(err, "--public-key")
	}
	public, err := id.Public()
	if err != nil {
		return refusal.In(err, "--public-key")
	}
	proof, err := hex.DecodeString(c.Proof)
	if err != nil {
		return refusal.Invalidf("PROOF_MALFORMED", "--proof",
			"The proof is hexadecimal digits, as `barward person prove` prints them.").Because(err)
	}
	person, err := a.ref(c.Person)
	if err != nil {
		return err
	}
	return a.record(&pb.KeyRecovered{Person: person, NewPublicKey: public, Proof: proof, Reason: c.Reason, Since: c.Since})
}
