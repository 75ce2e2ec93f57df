// Package house_test holds the rules of the house that the compiler does not: which room may import which, what the pure
// rooms may not touch, and what lies at the top of the repository. DEVELOPERS.md draws the rooms.
package house_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
)

const (
	module = "barward"

	proto    = "proto/barward/v1"
	barcodes = "github.com/boombuler/barcode"
	bbolt    = "go.etcd.io/bbolt"
	decimal  = "github.com/cockroachdb/apd/v3"
	fpdf     = "codeberg.org/go-pdf/fpdf"
	grpc     = "google.golang.org/grpc"
	protobuf = "google.golang.org/protobuf"
	rpcError = "google.golang.org/genproto/googleapis/rpc"
	stats    = "gonum.org/v1/gonum"
	tlog     = "golang.org/x/mod"
	btree    = "github.com/tidwall/btree"
	uuid     = "github.com/google/uuid"
	xImage   = "golang.org/x/image"
	xText    = "golang.org/x/text"
)

// An arrow is one rule about what a room imports. A room is a folder of this module; anything with a dot in its first
// element is a module from outside and stands for all packages in it.
type arrow struct {
	room string
	kind kind
	to   []string
	why  string
}

type kind string

const (
	// only: apart from the standard library, the room itself imports nothing but these.
	only kind = "may import only"
	// never: no chain of imports leads from the room to these.
	never kind = "must never reach"
	// direct: the room itself does not import these. It may reach them through another room.
	direct kind = "must not import"
)

// pure are the rooms that a domain person reads alone: functions of their arguments, without a clock, chance or a disk.
var pure = []string{
	"internal/quantity", "internal/weighing", "internal/assay", "internal/custody", "internal/settlement", "internal/chart",
	"internal/reckoning",
}

// outside is what no pure room may reach by any way: it would tie a rule of the trade to a wire or a store.
var outside = []string{proto, grpc, protobuf, bbolt}

var arrows = []arrow{
	{"internal/refusal", only, nil, "a leaf: every room says why with it, so it can lean on none"},
	{"internal/quantity", only, []string{"internal/refusal", decimal},
		"exact decimals come from one library behind one small type"},
	{"internal/weighing", only, []string{"internal/quantity", "internal/refusal", stats},
		"a pure room: readings to weight; a neighbour would make two rooms out of one"},
	{"internal/assay", only, []string{"internal/quantity", "internal/refusal", stats},
		"a pure room: worksheets to fineness, exchange and umpire; gonum for statistics only"},
	{"internal/custody", only, []string{"internal/quantity", "internal/refusal"},
		"a pure room: the chain of hand-offs needs no statistics"},
	{"internal/settlement", only, []string{"internal/quantity", "internal/refusal", "internal/weighing",
		"internal/assay", "internal/custody"},
		"a pure room above the others: it is checked against a contract with nothing else open"},

	{"internal/chart", only, nil, "numbers in, a drawing out: it knows nothing of what it draws"},
	{"internal/reckoning", only, []string{"internal/weighing", "internal/assay", "internal/settlement", "internal/chart"},
		"a list of the pure rooms' computations by name, for the client without a service and for the service"},

	{"internal/quantity", never, outside, "a pure room knows no wire and no store"},
	{"internal/weighing", never, outside, "a pure room knows no wire and no store"},
	{"internal/assay", never, outside, "a pure room knows no wire and no store"},
	{"internal/custody", never, outside, "a pure room knows no wire and no store"},
	{"internal/settlement", never, outside, "a pure room knows no wire and no store"},

	{"internal/ledger/proof", only, []string{"internal/refusal", tlog, uuid, protobuf + "/encoding/protowire"},
		"clients and auditors verify with it: it reads the envelope's two fields as bytes and knows no event"},
	{"internal/ledger/proof", never, []string{bbolt, grpc, proto},
		"a client that verifies a proof must not carry the store or the wire"},
	{"internal/ledger", only, []string{"internal/ledger/proof", "internal/refusal", bbolt, btree, tlog, uuid},
		"bytes, tree and group commit; what a bar is, it learns from nobody"},
	{"internal/ledger", never, []string{"internal/book", proto, grpc},
		"it declares Decide and Apply, and the book fills them in: the arrow points the other way"},
	{"internal/ledger/ledgertest", only, []string{"internal/ledger", "internal/ledger/proof", "internal/refusal",
		bbolt, btree, tlog, uuid, protobuf + "/encoding/protowire"},
		"it makes ledgers for tests, of which it knows as little as the ledger does: no event and no book"},

	{"internal/book", direct, []string{grpc, rpcError, "internal/service"},
		"it judges events, not calls (the events' generated package brings grpc along, hence not never)"},
	{"internal/identity", never, []string{bbolt, "internal/book", "internal/ledger"},
		"clients sign with it; who is who is asked through an interface it declares"},
	{"internal/evidence", only, []string{"internal/ledger/proof", "internal/identity", "internal/settlement", "internal/assay",
		"internal/weighing", "internal/quantity", "internal/refusal", proto, protobuf},
		"it is checked where there is no service: from signed bytes and the pure rooms alone"},
	{"internal/evidence", never, []string{bbolt, "internal/book", "internal/service", "internal/ledger", "client"},
		"it computes again what the book computed, and shares no code with it"},
	{"internal/service", direct, []string{bbolt, "internal/ledger/ledgertest", "client", "client/outbox", "server"},
		"a handler asks the ledger and the book, and never the store under them"},
	{"server", direct, []string{bbolt, "internal/settlement", "internal/weighing", "internal/assay", "internal/custody",
		"client", "client/outbox"},
		"flags, keys and listeners: no rule of the trade lives here"},

	{"internal/document", only, []string{"internal/quantity", "internal/refusal", proto, fpdf, barcodes, uuid, xImage, xText},
		"it prints what the record says and works nothing out: quantity reads a mass for the custody file, no pure room is asked"},
	{"internal/document", never, []string{bbolt, "internal/book", "internal/ledger", "internal/service", "client"},
		"the workstation prints with it, also while the link is down"},

	{"client", never, []string{"internal/book", "internal/service", "internal/ledger", "server", bbolt},
		"it shows, signs, queues and verifies; what it took from the server's half it would not verify"},
	{"client/station", never, []string{"internal/book", "internal/service", "internal/ledger", "server", bbolt},
		"one workstation under the command line and the desk: what they show, it has verified for itself"},
	{"client/station/stationtest", never, []string{"internal/book", "internal/service", "internal/ledger", "server", bbolt},
		"a service for the client's tests that shares no code with the one they are about"},
	{"client/desk", never, []string{"internal/book", "internal/service", "internal/ledger", "server", bbolt},
		"the browser's half of a workstation: it shows what the station has verified, and signs"},
	{"client/outbox", never, []string{"internal/book", "internal/service", "internal/ledger", "server", bbolt},
		"a workstation at the bench carries no server"},
	{proto, only, []string{grpc, protobuf, rpcError}, "generated from the protos, from nothing of ours"},
}

// pkg is what `go list -json` says about a package.
type pkg struct {
	ImportPath string
	Dir        string
	GoFiles    []string
	Imports    []string
	Deps       []string
	Standard   bool
	Module     *struct{ Path string }
}

// packages lists every package of the module with all that they reach, by import path. It asks the go command once.
var packages = sync.OnceValues(func() (map[string]pkg, error) {
	cmd := exec.Command("go", "list", "-deps", "-json=ImportPath,Dir,GoFiles,Imports,Deps,Standard,Module", "./...")
	cmd.Dir = ".."
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		return nil, errors.New(complaint.String())
	}
	listed := map[string]pkg{}
	for in := json.NewDecoder(bytes.NewReader(out)); ; {
		var p pkg
		if err := in.Decode(&p); errors.Is(err, io.EOF) {
			return listed, nil
		} else if err != nil {
			return nil, err
		}
		listed[p.ImportPath] = p
	}
})

func list(t *testing.T) map[string]pkg {
	t.Helper()
	listed, err := packages()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	return listed
}

// isOutside reports whether a name in the list is a module from outside.
func isOutside(name string) bool {
	first, _, _ := strings.Cut(name, "/")
	return strings.Contains(first, ".")
}

// covers reports whether the name of a room or of a module from outside stands for the package.
func covers(name, importPath string) bool {
	if isOutside(name) {
		return importPath == name || strings.HasPrefix(importPath, name+"/")
	}
	return importPath == module+"/"+name
}

func coversAny(names []string, importPath string) bool {
	return slices.ContainsFunc(names, func(name string) bool { return covers(name, importPath) })
}

// broken returns the imports by which p breaks the rule, given every package that p reaches.
func (a arrow) broken(p pkg, listed map[string]pkg) (bad []string) {
	switch a.kind {
	case only:
		for _, imported := range p.Imports {
			if !listed[imported].Standard && !coversAny(a.to, imported) {
				bad = append(bad, imported)
			}
		}
	case direct:
		for _, imported := range p.Imports {
			if coversAny(a.to, imported) {
				bad = append(bad, imported)
			}
		}
	case never:
		for _, reached := range p.Deps {
			if coversAny(a.to, reached) {
				bad = append(bad, reached)
			}
		}
	}
	return bad
}

func TestArrowsPointOneWay(t *testing.T) {
	listed := list(t)
	for _, a := range arrows {
		p, ok := listed[module+"/"+a.room]
		if !ok {
			t.Errorf("the list of arrows names %s, and there is no such package; mend the list", a.room)
			continue
		}
		for _, bad := range a.broken(p, listed) {
			t.Errorf("%s imports or reaches %s, but it %s %v: %s", a.room, bad, a.kind, a.to, a.why)
		}
		if a.why == "" {
			t.Errorf("the arrow %s %s %v gives no reason", a.room, a.kind, a.to)
		}
	}
}

// A name that nothing bears any more makes a rule that cannot fail.
func TestArrowsNameWhatExists(t *testing.T) {
	listed := list(t)
	for _, a := range arrows {
		for _, name := range a.to {
			found := false
			for importPath := range listed {
				found = found || covers(name, importPath)
			}
			if !found {
				t.Errorf("the arrow %s %s %s: nothing bears that name any more; mend the list", a.room, a.kind, name)
			}
		}
	}
}

// A new room gets its arrows with its first file.
func TestEveryRoomHasAnArrow(t *testing.T) {
	for importPath := range list(t) {
		room, ours := strings.CutPrefix(importPath, module+"/")
		named := slices.ContainsFunc(arrows, func(a arrow) bool { return a.room == room })
		if ours && room != "internal" && !named {
			t.Errorf("%s has no arrow: say in internal/house_test.go what it may import, and why", room)
		}
	}
}

// The rules above hold trivially if broken cannot see a breach, so it is shown some.
func TestABrokenArrowIsSeen(t *testing.T) {
	listed := map[string]pkg{"os": {Standard: true}}
	p := pkg{
		Imports: []string{"os", module + "/internal/quantity", bbolt},
		Deps:    []string{"os", module + "/internal/quantity", bbolt, grpc + "/codes"},
	}
	for _, tt := range []struct {
		a    arrow
		want []string
	}{
		{arrow{kind: only, to: []string{"internal/quantity"}}, []string{bbolt}},
		{arrow{kind: only, to: []string{"internal/quantity", bbolt}}, nil},
		{arrow{kind: only, to: []string{bbolt}}, []string{module + "/internal/quantity"}},
		{arrow{kind: direct, to: []string{grpc, bbolt}}, []string{bbolt}},
		{arrow{kind: never, to: []string{grpc}}, []string{grpc + "/codes"}},
		{arrow{kind: never, to: []string{"google.golang.org/grp"}}, nil},
	} {
		if got := tt.a.broken(p, listed); !slices.Equal(got, tt.want) {
			t.Errorf("%s %v: got %v, want %v", tt.a.kind, tt.a.to, got, tt.want)
		}
	}
}

// impure are the standard packages by which a pure room would see more than its arguments.
var impure = map[string]string{
	"os": "it touches the machine", "io/fs": "it touches the disk", "net": "it touches the network",
	"syscall": "it touches the machine", "log": "it speaks to nobody in particular; return it instead",
	"math/rand": "chance arrives as an argument", "crypto/rand": "chance arrives as an argument",
	"math/rand/v2": "chance arrives as an argument", "unsafe": "nothing here needs it",
}

// clock are the names of package time that read or wait for the machine's clock, or read its zone.
var clock = []string{
	"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Local", "LoadLocation",
}

func TestPureRoomsSeeOnlyTheirArguments(t *testing.T) {
	for _, room := range pure {
		inspect(t, room, func(at, what string) {
			t.Errorf("%s: %s; a pure room is a function of its arguments", at, what)
		}, impurities)
	}
}

// No binary float may touch a mass, a fineness, a price or an amount. The statistics of assay and weighing may use it.
func TestNoBinaryFloatWhereMetalIsCounted(t *testing.T) {
	for _, room := range []string{"internal/custody", "internal/settlement"} {
		inspect(t, room, func(at, what string) { t.Errorf("%s: %s; metal and money are exact decimals", at, what) }, floats)
	}
	field := regexp.MustCompile(`^\s*(repeated\s+|optional\s+)?(double|float)\s+\w+\s*=`)
	files, err := filepath.Glob(filepath.Join("..", filepath.FromSlash(proto), "*.proto"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no protos found: %v", err)
	}
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(string(text), "\n") {
			if field.MatchString(line) {
				t.Errorf("%s:%d: a binary float on the wire; exact decimals travel as strings with their unit", name, i+1)
			}
		}
	}
}

// inspect parses the sources of a room, without its tests, and reports what find sees in each.
func inspect(t *testing.T, room string, report func(at, what string), find func(*ast.File, func(ast.Node, string))) {
	t.Helper()
	p, ok := list(t)[module+"/"+room]
	if !ok || len(p.GoFiles) == 0 {
		t.Errorf("there is no package %s to look into; mend the list", room)
		return
	}
	for _, name := range p.GoFiles {
		files := token.NewFileSet()
		file, err := parser.ParseFile(files, filepath.Join(p.Dir, name), nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		find(file, func(n ast.Node, what string) {
			report(path.Join(room, name)+":"+strconv.Itoa(files.Position(n.Pos()).Line), what)
		})
	}
}

func impurities(file *ast.File, report func(ast.Node, string)) {
	timeName := ""
	for _, spec := range file.Imports {
		imported, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			continue // the parser has accepted it
		}
		for bad, why := range impure {
			if imported == bad || strings.HasPrefix(imported, bad+"/") {
				report(spec, "imports "+imported+": "+why)
				break
			}
		}
		if imported == "time" {
			timeName = "time"
			if spec.Name != nil {
				timeName = spec.Name.Name
			}
			if timeName == "." {
				report(spec, "imports time into its own names, where a read of the clock cannot be told")
			}
		}
	}
	ast.Inspect(file, func(n ast.Node) bool {
		if s, ok := n.(*ast.SelectorExpr); ok {
			if x, ok := s.X.(*ast.Ident); ok && timeName != "" && x.Name == timeName && slices.Contains(clock, s.Sel.Name) {
				report(n, "uses time."+s.Sel.Name+": time arrives as an argument")
			}
		}
		return true
	})
}

func floats(file *ast.File, report func(ast.Node, string)) {
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.Ident:
			if n.Name == "float64" || n.Name == "float32" {
				report(n, "uses "+n.Name)
			}
		case *ast.SelectorExpr:
			if n.Sel.Name == "Float" {
				report(n, "turns an exact decimal into a binary float")
			}
		case *ast.BasicLit:
			if n.Kind == token.FLOAT {
				report(n, "has the binary float "+n.Value)
			}
		}
		return true
	})
}

func TestImpurityIsSeen(t *testing.T) {
	const source = `package p
import (
	"net/http"
	clock "time"
)
var t = clock.Now().Add(2 * clock.Second)
var f = float64(1.5)
var c = http.DefaultClient
`
	file, err := parser.ParseFile(token.NewFileSet(), "p.go", source, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		find func(*ast.File, func(ast.Node, string))
		want []string
	}{
		{impurities, []string{"imports net/http: it touches the network", "uses time.Now: time arrives as an argument"}},
		{floats, []string{"uses float64", "has the binary float 1.5"}},
	} {
		var got []string
		tt.find(file, func(_ ast.Node, what string) { got = append(got, what) })
		if !slices.Equal(got, tt.want) {
			t.Errorf("got %q, want %q", got, tt.want)
		}
	}
}

// The top of the repository stays small enough to be read at a glance; what is built or left behind is in .gitignore.
func TestTopLevel(t *testing.T) {
	allowed := []string{
		"README.md", "DEVELOPERS.md", "LICENSE", "Makefile", "go.mod", "go.sum",
		"proto", "server", "client", "internal", "testdata",
	}
	ignored, err := os.ReadFile(filepath.Join("..", ".gitignore"))
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Fields(string(ignored)) {
		if name, ok := strings.CutPrefix(line, "/"); ok {
			allowed = append(allowed, strings.TrimSuffix(name, "/"))
		}
	}
	top, err := os.ReadDir("..")
	if err != nil {
		t.Fatal(err)
	}
	for _, entry := range top {
		if name := entry.Name(); !strings.HasPrefix(name, ".") && !slices.Contains(allowed, name) {
			t.Errorf("%s lies at the top of the repository; put it into a room, or say here and in DEVELOPERS.md why not", name)
		}
	}
}

// A mark of unfinished work, or a path of somebody's machine, is not to be published.
func TestSourcesAreFinished(t *testing.T) {
	// Written in parts, so that this file does not find itself.
	unwanted := regexp.MustCompile(`\b(TO` + `DO|FIX` + `ME|XX` + `X)\b|(^|[\s"'(=])/(ho` + `me|ro` + `ot|wo` + `rk|Use` + `rs)/`)
	for _, seen := range []string{"// TO" + "DO: later", "see /ro" + "ot/notes", "/wo" + "rk/x"} {
		if !unwanted.MatchString(seen) {
			t.Errorf("the check does not see %q", seen)
		}
	}
	read := 0
	err := filepath.WalkDir("..", func(name string, entry os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		base := entry.Name()
		if entry.IsDir() {
			hidden := strings.HasPrefix(base, ".") && !slices.Contains([]string{"..", ".ci", ".tools"}, base)
			if hidden || name == "../bin" || name == "../out" {
				return filepath.SkipDir
			}
			return nil
		}
		switch path.Ext(base) {
		case ".go", ".proto", ".md", ".yaml", ".mod", ".csv", ".json", ".txt", ".txtar", "":
		default:
			return nil
		}
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		read++
		for i, line := range strings.Split(string(text), "\n") {
			if found := unwanted.FindString(line); found != "" {
				t.Errorf("%s:%d: %q must not be published", name, i+1, found)
			}
		}
		return nil
	})
	if err != nil || read == 0 {
		t.Fatalf("read %d files: %v", read, err)
	}
}
