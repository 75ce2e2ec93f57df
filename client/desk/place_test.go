package desk

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/identity"
	pb "barward/proto/barward/v1"
)

// A place is a real server with a ledger of its own, on loopback, and the demonstration's people with their keys.
// Building one takes seconds, so it is built once and each test works on a copy.
type place struct {
	t       *testing.T
	dir     string
	address string
	logKey  string
	server  *exec.Cmd
}

const passphrase = "an invented passphrase"

// folk are the demonstration's people: person, party, site, roles.
var folk = [][4]string{
	{"odo", "lanternfold", "", "administrator"},
	{"wren", "quillmoss", "quillmoss/high-terrace", "administrator"},
	{"ibbet", "quillmoss", "quillmoss/high-terrace", "gold_room_officer"},
	{"tamsin", "quillmoss", "quillmoss/high-terrace", "witness gold_room_officer"},
	{"perpetua", "quillmoss", "quillmoss/high-terrace", "assayer"},
	{"lucan", "quillmoss", "quillmoss/high-terrace", "commercial_manager"},
	{"hob", "pebblewing", "", "administrator custodian"},
	{"auberon", "thistlequay", "thistlequay/quay-works", "administrator"},
	{"dilly", "thistlequay", "thistlequay/quay-works", "receiving_clerk"},
	{"ansel", "thistlequay", "thistlequay/quay-works", "assayer"},
	{"fennimore", "thistlequay", "thistlequay/quay-works", "commercial_manager"},
	{"umbra", "umbercount", "umbercount/bench", "administrator assayer"},
}

var names = map[string]string{"odo": "Odo Lanternfold", "wren": "Wren Tattersall-Moss", "ibbet": "Ibbet Quarrell",
	"tamsin": "Tamsin Oxgoddard", "perpetua": "Perpetua Sludge", "lucan": "Lucan Featherstall", "hob": "Hob Underlift",
	"auberon": "Auberon Clamp", "dilly": "Dilly Thackraway", "ansel": "Ansel Crucible-Jones", "fennimore": "Fennimore Tally",
	"umbra": "Umbra Pennyscale"}

// scratch is the folder of what all tests of this binary share; TestMain removes it.
var scratch = sync.OnceValues(func() (string, error) { return os.MkdirTemp("", "barward-desk-") })

var serverProgram = sync.OnceValues(func() (string, error) {
	dir, err := scratch()
	if err != nil {
		return "", err
	}
	program := filepath.Join(dir, "barward-server")
	output, err := exec.Command("go", "build", "-o", program, "barward/server").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("%w\n%s", err, output)
	}
	return program, nil
})

// model is the folder that places are copied from.
var model = sync.OnceValues(func() (string, error) {
	root, err := scratch()
	if err != nil {
		return "", err
	}
	p := &place{dir: filepath.Join(root, "model")}
	return p.dir, p.found()
})

// newPlace returns a place of the test's own, with its server running.
func newPlace(t *testing.T) *place {
	t.Helper()
	from, err := model()
	if err != nil {
		t.Fatal(err)
	}
	p := &place{t: t, dir: t.TempDir()}
	if err := copyTree(from, p.dir); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.down)
	p.up()
	return p
}

// copyTree copies folders and ordinary files with their modes; what a server that was killed left otherwise is no part
// of a place.
func copyTree(from, to string) error {
	return filepath.WalkDir(from, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		info, err := entry.Info()
		switch {
		case err != nil:
			return err
		case entry.IsDir():
			return os.MkdirAll(filepath.Join(to, name), 0o700)
		case !entry.Type().IsRegular():
			return nil
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(to, name), text, info.Mode().Perm())
	})
}

func (p *place) key(who string) string { return filepath.Join(p.dir, "keys", who) }

// found makes the ledger and everybody who will write in it.
func (p *place) found() error {
	program, err := serverProgram()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Join(p.dir, "keys"), 0o700); err != nil {
		return err
	}
	keys := map[string]identity.Key{}
	for _, f := range folk {
		key, err := identity.NewKey(rand.Reader)
		if err == nil {
			err = identity.SaveKey(p.key(f[0]), key, names[f[0]], passphrase, 10) // a weak one: it protects nothing
		}
		if err != nil {
			return err
		}
		keys[f[0]] = key
	}
	words := filepath.Join(p.dir, "passphrase")
	if err := os.WriteFile(words, []byte(passphrase+"\n"), 0o600); err != nil {
		return err
	}
	out, err := exec.Command(program, "init", "--ledger", filepath.Join(p.dir, "ledger.db"), "--origin",
		"desk.invalid/dore",
		"--operator", "lanternfold", "--operator-name", "Lanternfold Registry (invented)", "--admin", "odo", "--admin-name", names["odo"],
		"--admin-key", p.key("odo"), "--passphrase-file", words).CombinedOutput()
	if err != nil {
		return fmt.Errorf("%w\n%s", err, out)
	}
	if err := p.serve(); err != nil {
		return err
	}
	defer p.down()
	var registry []proto.Message
	for _, r := range []struct {
		id   string
		kind pb.PartyKind
		site *pb.Site
	}{
		{"quillmoss", pb.PartyKind_PARTY_KIND_MINE, &pb.Site{SiteId: "high-terrace", DisplayName: "High Terrace", ElevationM: "3900"}},
		{"pebblewing", pb.PartyKind_PARTY_KIND_CARRIER, nil},
		{"thistlequay", pb.PartyKind_PARTY_KIND_REFINERY, &pb.Site{SiteId: "quay-works", DisplayName: "Quay works", ElevationM: "3"}},
		{"umbercount", pb.PartyKind_PARTY_KIND_LABORATORY, &pb.Site{SiteId: "bench", DisplayName: "Bench", ElevationM: "140"}},
	} {
		party := &pb.PartyRegistered{PartyId: r.id, DisplayName: capital(r.id) + " (invented)", Kind: r.kind}
		if r.site != nil {
			party.Sites = []*pb.Site{r.site}
		}
		registry = append(registry, party)
	}
	if err := p.sign(keys["odo"], registry...); err != nil {
		return err
	}
	heads := map[string]string{}
	for _, f := range folk[1:] {
		by := heads[f[1]]
		if by == "" {
			by, heads[f[1]] = "odo", f[0]
		}
		one := &pb.PersonEnrolled{PersonId: f[0], PartyId: f[1], DisplayName: names[f[0]], PublicKey: keys[f[0]].Public()}
		for _, role := range strings.Fields(f[3]) {
			one.Roles = append(one.Roles, pb.Role(pb.Role_value["ROLE_"+strings.ToUpper(role)]))
		}
		if err := p.sign(keys[by], one); err != nil {
			return err
		}
	}
	balance := func(id, site, class, capacity, d, e, repeatability string, days int32) *pb.BalanceRegistered {
		return &pb.BalanceRegistered{BalanceId: id, Site: site, AccuracyClass: class, Capacity: capacity, Readability: d,
			VerificationInterval: e, Repeatability: repeatability, CheckEveryDays: days}
	}
	terms, err := os.ReadFile(filepath.Join("..", "..", "testdata", "demo", "agreement.json"))
	if err != nil {
		return err
	}
	for _, s := range []struct {
		who  string
		body proto.Message
	}{
		{"wren", balance("QB1", "quillmoss/high-terrace", "I", "32000 g", "0.1 g", "0.1 g", "0.2 g", 7)},
		{"auberon", balance("TB1", "thistlequay/quay-works", "I", "32000 g", "0.1 g", "0.1 g", "0.2 g", 7)},
		{"auberon", balance("TM1", "thistlequay/quay-works", "II", "300000 g", "1 g", "10 g", "10 g", 30)},
		{"lucan", &pb.AgreementSigned{AgreementId: "TQ-2025-04", TermsJson: string(terms)}},
	} {
		if err := p.sign(keys[s.who], s.body); err != nil {
			return err
		}
	}
	return p.countersign(keys["lucan"], keys["fennimore"])
}

// countersign has the second agree to the first's last entry.
func (p *place) countersign(first, second identity.Key) error {
	s, err := station.Open(station.Config{Home: p.homeOf(second), Server: p.address, LogKey: p.logKey})
	if err != nil {
		return err
	}
	defer s.Close()
	s.Use(second)
	ctx, cancel := context.WithTimeout(context.Background(), long)
	defer cancel()
	if err := s.Advance(ctx); err != nil {
		return err
	}
	seen, _ := s.Seen()
	entry, err := s.Entry(ctx, seen.Size-1)
	if err != nil {
		return err
	}
	body, err := countersignature(entry)
	if err != nil {
		return err
	}
	return p.sign(second, body)
}

// homeOf is a folder for the command-line work of one person, apart from any desk.
func (p *place) homeOf(key identity.Key) string {
	return filepath.Join(p.dir, "homes", string(key.ID())[:12])
}

// sign records events as somebody, without a desk. It fails unless each is recorded.
func (p *place) sign(key identity.Key, bodies ...proto.Message) error {
	s, err := station.Open(station.Config{Home: p.homeOf(key), Server: p.address, LogKey: p.logKey})
	if err != nil {
		return err
	}
	defer s.Close()
	s.Use(key)
	ctx, cancel := context.WithTimeout(context.Background(), long)
	defer cancel()
	for _, body := range bodies {
		event, err := s.Envelope(ctx, key, body, "", "")
		if err == nil {
			_, err = s.Put(key, event)
		}
		if err != nil {
			return err
		}
	}
	var refused error
	err = s.Flush(ctx, func(a station.Answer) { refused = errors.Join(refused, a.Err) })
	return errors.Join(err, refused)
}

// as records events as one of the people.
func (p *place) as(who string, bodies ...proto.Message) {
	p.t.Helper()
	key, _, err := identity.LoadKey(p.key(who), passphrase)
	if err == nil {
		err = p.sign(key, bodies...)
	}
	if err != nil {
		p.t.Fatalf("%s: %v", who, err)
	}
}

// up starts the server, on the address it had before if it had one; down ends it as a power cut would.
func (p *place) up() {
	p.t.Helper()
	if err := p.serve(); err != nil {
		p.t.Fatal(err)
	}
}

func (p *place) serve() error {
	program, err := serverProgram()
	if err != nil {
		return err
	}
	listen, ready := p.address, filepath.Join(p.dir, "ready.json")
	if listen == "" {
		listen = "127.0.0.1:0"
	}
	if err := os.RemoveAll(ready); err != nil {
		return err
	}
	var log bytes.Buffer
	p.server = exec.Command(program, "serve", "--ledger", filepath.Join(p.dir, "ledger.db"), "--listen", listen,
		"--ready-file", ready)
	p.server.Stderr = &log
	if err := p.server.Start(); err != nil {
		return err
	}
	var said struct {
		Listening    string `json:"listening"`
		LogPublicKey string `json:"log_public_key"`
	}
	if err := readWhenThere(ready, &said); err != nil {
		p.down()
		return fmt.Errorf("the server does not take calls: %w\n%s", err, log.String())
	}
	p.address, p.logKey = said.Listening, said.LogPublicKey
	return nil
}

func (p *place) down() {
	if p.server != nil {
		_ = p.server.Process.Signal(syscall.SIGKILL)
		_ = p.server.Wait() // it was killed, so it has no good word to say
		p.server = nil
	}
}

// long is how long a test waits for anything: the machine may be busy with all the others.
var long = 90 * time.Second

func init() {
	if given, err := time.ParseDuration(os.Getenv("BARWARD_DESK_PATIENCE")); err == nil {
		long = given // of who works on the pages
	}
}

// readWhenThere reads a JSON file once it is there.
func readWhenThere(path string, into any) error {
	for end := time.Now().Add(long); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if text, err := os.ReadFile(path); err == nil {
			return json.Unmarshal(text, into)
		}
	}
	return errors.New(path + " did not come")
}

// config is that of a desk before the place's server, whose people's keys are those named.
func (p *place) config(home string, people ...string) Config {
	c := Config{Listen: "127.0.0.1:0", Home: filepath.Join(p.dir, "desks", home), Server: p.address, LogKey: p.logKey,
		Idle: time.Hour, Patience: long, Timeout: long, ReadyFile: filepath.Join(p.dir, home+".ready")}
	for _, who := range people {
		c.Keys = append(c.Keys, p.key(who))
		for _, f := range folk {
			if f[0] == who {
				c.Place = f[2]
			}
		}
	}
	return c
}

// open runs a desk until the test ends, or until what it returns is called. It returns its address.
func (p *place) open(c Config) (address string, end func()) {
	p.t.Helper()
	_ = os.Remove(c.ReadyFile)
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error, 1)
	go func() { over <- Run(ctx, c) }()
	var said Ready
	if err := readWhenThere(c.ReadyFile, &said); err != nil {
		cancel()
		p.t.Fatal(errors.Join(err, <-over))
	}
	end = sync.OnceFunc(func() {
		cancel()
		if err := <-over; err != nil {
			p.t.Errorf("the desk ended badly: %v", err)
		}
	})
	p.t.Cleanup(end)
	return strings.TrimSuffix(said.Address, "/"), end
}

// openApart runs a desk in a process of its own, which kill ends as a power cut would.
func (p *place) openApart(c Config) (address string, kill func()) {
	p.t.Helper()
	_ = os.Remove(c.ReadyFile)
	self, err := os.Executable()
	if err != nil {
		p.t.Fatal(err)
	}
	text, err := json.Marshal(childConfig{c.Listen, c.Home, c.Server, c.LogKey, c.Place, c.ReadyFile, c.Keys})
	if err != nil {
		p.t.Fatal(err)
	}
	child := exec.Command(self)
	child.Env = append(os.Environ(), "BARWARD_DESK_CHILD="+string(text))
	child.Stderr = os.Stderr
	if err := child.Start(); err != nil {
		p.t.Fatal(err)
	}
	kill = sync.OnceFunc(func() {
		_ = child.Process.Signal(syscall.SIGKILL)
		_ = child.Wait()
	})
	p.t.Cleanup(kill)
	var said Ready
	if err := readWhenThere(c.ReadyFile, &said); err != nil {
		p.t.Fatal(err)
	}
	return strings.TrimSuffix(said.Address, "/"), kill
}

// childConfig is as much of a Config as a desk in a process of its own is told.
type childConfig struct {
	Listen, Home, Server, LogKey, Place, ReadyFile string
	Keys                                           []string
}

func TestMain(m *testing.M) {
	if text := os.Getenv("BARWARD_DESK_CHILD"); text != "" {
		var c childConfig
		if err := json.Unmarshal([]byte(text), &c); err != nil {
			panic(err)
		}
		err := Run(context.Background(), Config{Listen: c.Listen, Home: c.Home, Server: c.Server, LogKey: c.LogKey,
			Place: c.Place, ReadyFile: c.ReadyFile, Keys: c.Keys, Idle: time.Hour, Patience: long, Timeout: long})
		fmt.Fprintln(os.Stderr, "the desk ended:", err)
		os.Exit(1)
	}
	code := m.Run()
	closeBrowser()
	if dir, err := scratch(); err == nil {
		_ = os.RemoveAll(dir)
	}
	os.Exit(code)
}

// goodCheck is a check of the mine's balance that passes.
func goodCheck() *pb.BalanceChecked {
	return &pb.BalanceChecked{Balance: "quillmoss/QB1", Points: []*pb.CheckPoint{{Nominal: "20 kg", WeightClass: "E2", Observed: "20000.0 g"}}}
}

// aPour is a pour of bars of 18452.3 g each.
func aPour(number string, marks ...string) *pb.PourRecorded {
	pour := &pb.PourRecorded{PourId: number, Balance: "quillmoss/QB1"}
	for _, mark := range marks {
		pour.Bars = append(pour.Bars, &pb.PouredBar{Mark: mark, Readings: []string{"18452.3 g", "18452.3 g"}})
	}
	return pour
}

// aBox is a box of bars under one seal.
func aBox(number string, marks ...string) *pb.BoxPacked {
	box := &pb.BoxPacked{BoxId: number, Seals: []string{"QS-of-" + number}}
	for _, mark := range marks {
		box.Bars = append(box.Bars, "quillmoss/"+mark)
	}
	return box
}
