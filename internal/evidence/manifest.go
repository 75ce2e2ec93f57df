package evidence

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// Names of the members. A number is a sequence number or a tree size in fifteen digits, so that names sort as numbers
// do.
const (
	checkpointName = "checkpoint.txt"
	coverName      = "cover.pdf"
	keysName       = "keys.txt"
	logKeyName     = "log-key.txt"
	manifestName   = "manifest.txt"
	signatureName  = "manifest.sig"
	summaryName    = "summary.txt"

	entryFolder, entryEnd             = "entries/", ".leaf"
	pathFolder, pathEnd               = "proofs/", ".txt"
	consistencyFolder, consistencyEnd = "consistency/", ".txt"
	cosignedFolder, cosignedEnd       = "cosigned/", ".txt"
	statementFolder, statementEnd     = "statements/", ".json"

	digits = 15 // proof.MaxTree has fifteen
)

func numbered(folder string, n uint64, end string) string {
	return fmt.Sprintf("%s%0*d%s", folder, digits, n, end)
}

// Write returns the file, signed by key, which must be the exporter's. Equal packs give equal bytes.
//
// Reasons: EVIDENCE_ABOUT, EVIDENCE_EXPORTER, EVIDENCE_TOO_LARGE, and those of Read, by which the result is read back.
func Write(p Pack, key identity.Key) ([]byte, error) {
	if key.IsZero() || key.ID() != p.Key {
		return nil, refusal.Invalidf("EVIDENCE_EXPORTER", "key",
			"The pack names another exporter than the one who signs it. "+
				"Export it with your own key.")
	}
	records, findings := p.records()
	if len(findings) > 0 {
		return nil, findings[0]
	}
	who := register(records)
	p.keys, p.summary = who.text(), p.summarize(records)
	file, err := seal(p.header(), p.members(), key)
	if err != nil {
		return nil, err
	}
	_, err = Read(file)
	return file, err
}

// seal lists the members, which are sorted, under the header of a manifest, signs that, and packs all.
func seal(header []byte, members []member, key identity.Key) ([]byte, error) {
	manifest := header
	for _, m := range members {
		manifest = append(manifest, m.line()...)
	}
	members = append(members, member{manifestName, manifest},
		member{signatureName, ed25519.Sign(key.Private(), signedText(manifest))})
	sortMembers(members)
	return pack(members)
}

// line is how the manifest lists a member.
func (m member) line() string {
	return fmt.Sprintf("%d %x %s\n", len(m.data), sha256.Sum256(m.data), m.name)
}

func sortMembers(members []member) {
	slices.SortFunc(members, func(a, b member) int { return strings.Compare(a.name, b.name) })
}

// signedText is what an exporter signs.
func signedText(manifest []byte) []byte {
	sum := sha256.Sum256(manifest)
	return []byte(Purpose + hex.EncodeToString(sum[:]) + "\n")
}

// members returns all but the manifest and its signature, sorted.
func (p Pack) members() []member {
	members := []member{
		{checkpointName, p.Checkpoint}, {keysName, p.keys}, {logKeyName, []byte(p.LogKey + "\n")}, {summaryName, p.summary},
	}
	if len(p.Cover) > 0 {
		members = append(members, member{coverName, p.Cover})
	}
	for _, e := range p.Entries {
		members = append(members, member{numbered(entryFolder, e.Sequence, entryEnd), e.Leaf},
			member{numbered(pathFolder, e.Sequence, pathEnd), hashText(e.Path)})
	}
	for _, c := range p.Consistency {
		members = append(members, member{numbered(consistencyFolder, c.Size, consistencyEnd), hashText(c.Path)})
	}
	for i, note := range p.Cosigned {
		members = append(members, member{numbered(cosignedFolder, uint64(i), cosignedEnd), note})
	}
	for _, s := range p.Statements {
		members = append(members, member{numbered(statementFolder, s.Issued, statementEnd), s.Document})
	}
	sortMembers(members)
	return members
}

// File is one file of a pack, for its cover.
type File struct {
	Name   string // path inside the pack
	What   string // what it holds, in words
	Bytes  uint64
	SHA256 string // 64 hexadecimal digits
}

// what says what a file or the files of a folder hold.
var what = map[string]string{
	entryFolder: "an entry, byte for byte as it was signed and hashed", pathFolder: "proof that the entry is in the log",
	consistencyFolder: "proof that the log continued an earlier checkpoint", cosignedFolder: "a checkpoint that a party cosigned",
	statementFolder: "the statement that the entry issued", checkpointName: "the checkpoint that the log signed",
	keysName: "every key, and the entry that vouches for it", logKeyName: "the public key of the log, to be compared",
	summaryName: "the entries in words",
}

// Files lists the files of a pack that was read, apart from its cover and its manifest, in the order of their names.
func (p Pack) Files() (files []File) {
	for _, m := range p.members() {
		if m.name == coverName {
			continue
		}
		folder := m.name[:strings.Index(m.name, "/")+1]
		if folder == "" {
			folder = m.name
		}
		hash := sha256.Sum256(m.data)
		files = append(files, File{m.name, what[folder], uint64(len(m.data)), hex.EncodeToString(hash[:])})
	}
	return files
}

// header is the beginning of the manifest: what the pack is about, who exported it, when, and what was withheld.
func (p Pack) header() []byte {
	b := fmt.Appendf(nil, "%sabout %s\nexported %s\nexporter %s %s\n",
		Purpose, p.About, p.Exported.UTC().Format(time.RFC3339), p.Exporter, p.Key)
	for _, n := range p.Withheld {
		b = fmt.Appendf(b, "withheld %d\n", n)
	}
	return b
}

// hashText writes hashes one a line in base64, and hashesOf reads them.
func hashText(path []proof.Hash) (b []byte) {
	for _, h := range path {
		b = base64.StdEncoding.AppendEncode(b, h[:])
		b = append(b, '\n')
	}
	return b
}

func hashesOf(b []byte) ([]proof.Hash, error) {
	var path []proof.Hash
	for line := range bytes.Lines(b) {
		raw, err := base64.StdEncoding.Strict().DecodeString(strings.TrimSuffix(string(line), "\n"))
		if err != nil || len(raw) != len(proof.Hash{}) || len(path) == proof.MaxProof {
			return nil,
				badMember("a proof is not hashes of 32 bytes in base64, one a line, at most " + strconv.Itoa(proof.MaxProof))
		}
		path = append(path, proof.Hash(raw))
	}
	return path, nil
}

// Read reads a file as Write writes it: the container, the manifest, and each member by the length and the hash that
// the manifest gives it. Whether anything in it is true, Verify says.
//
// Reasons: EVIDENCE_TOO_LARGE, EVIDENCE_CONTAINER, EVIDENCE_MANIFEST, EVIDENCE_MEMBER.
func Read(file []byte) (Pack, error) {
	members, err := unpack(file)
	if err != nil {
		return Pack{}, err
	}
	var p Pack
	rest := members[:0:0]
	for _, m := range members {
		switch m.name {
		case manifestName:
			p.manifest = m.data
		case signatureName:
			p.signature = m.data
		default:
			rest = append(rest, m)
		}
	}
	if len(p.signature) != ed25519.SignatureSize || len(p.manifest) > maxManifest {
		return Pack{}, badManifest("it or its signature is missing or has a wrong length")
	}
	listed, err := p.readHeader()
	if err != nil {
		return Pack{}, err
	}
	if err := hold(listed, rest); err != nil {
		return Pack{}, err
	}
	for _, m := range rest {
		if err := p.take(m); err != nil {
			return Pack{}, err
		}
	}
	// One pack, one encoding: what was understood must be all that is there.
	if again := p.members(); !slices.EqualFunc(again, rest, func(a, b member) bool {
		return a.name == b.name && bytes.Equal(a.data, b.data)
	}) {
		return Pack{}, badMember("a file that belongs there is missing, or one says more than is understood of it")
	}
	return p, nil
}

// readHeader reads the beginning of the manifest and returns its list.
func (p *Pack) readHeader() (list []byte, err error) {
	rest, ok := bytes.CutPrefix(p.manifest, []byte(Purpose))
	if !ok {
		return nil, badManifest("it does not begin with " + strconv.Quote(Purpose))
	}
	line := func(word string) string {
		head, tail, found := bytes.Cut(rest, []byte("\n"))
		value, named := bytes.CutPrefix(head, []byte(word+" "))
		if !found || !named {
			return ""
		}
		rest = tail
		return string(value)
	}
	kind, name, _ := strings.Cut(line("about"), " ")
	p.About = What{Kind(kind), name}
	if err := p.About.Check(); err != nil {
		return nil, badManifest("it does not say what the pack is about").Because(err)
	}
	if p.Exported, err = time.Parse("2006-01-02T15:04:05Z", line("exported")); err != nil {
		return nil, badManifest("it does not say when it was exported").Because(err)
	}
	exporter, key, _ := strings.Cut(line("exporter"), " ")
	if p.Key, err = identity.ParseKeyID(key); err != nil || proof.CheckOrigin(exporter) != nil || len(exporter) > maxName {
		return nil, badManifest("it does not say who exported it").Because(err)
	}
	p.Exporter = exporter
	for number := line("withheld"); number != ""; number = line("withheld") {
		n, err := strconv.ParseUint(number, 10, 48)
		if err != nil || len(p.Withheld) == maxWithheld || len(p.Withheld) > 0 && n <= p.Withheld[len(p.Withheld)-1] {
			return nil, badManifest("what was withheld is not numbers of entries in order")
		}
		p.Withheld = append(p.Withheld, n)
	}
	if again := p.header(); !bytes.Equal(again, p.manifest[:len(p.manifest)-len(rest)]) {
		return nil, badManifest("its beginning is not as it was written")
	}
	return rest, nil
}

// hold compares the members with the manifest's list: the same names in the same order, each with its length and hash.
func hold(list []byte, members []member) error {
	var want []byte
	for _, m := range members {
		line := m.line()
		if !bytes.HasPrefix(list[min(len(want), len(list)):], []byte(line)) {
			return refusal.Invalidf("EVIDENCE_MEMBER", m.name,
				"The file %s inside the pack is not the one that the manifest lists: it was changed, added or put in the place of "+
					"another, or one before it is missing.", refusal.Quote(m.name)).With("name", m.name)
		}
		want = append(want, line...)
	}
	if len(want) != len(list) {
		return badManifest("it lists more files than are there")
	}
	return nil
}

// take puts a member where it belongs.
func (p *Pack) take(m member) (err error) {
	switch m.name {
	case checkpointName:
		p.Checkpoint = m.data
	case coverName:
		p.Cover = m.data
	case keysName:
		p.keys = m.data
	case summaryName:
		p.summary = m.data
	case logKeyName:
		p.LogKey = strings.TrimSuffix(string(m.data), "\n")
	default:
		return p.takeNumbered(m)
	}
	if len(m.data) > maxCover {
		return badMember("the file " + m.name + " is too long")
	}
	return nil
}

func (p *Pack) takeNumbered(m member) error {
	for _, f := range []struct {
		folder, end string
		most        int
		take        func(n uint64) error
	}{
		{entryFolder, entryEnd, proof.MaxEvent + 1024, func(n uint64) error {
			if len(p.Entries) == maxEntries {
				return badMember("there are more than " + strconv.Itoa(maxEntries) + " entries")
			}
			p.Entries = append(p.Entries, Entry{Sequence: n, Leaf: m.data})
			return nil
		}},
		{pathFolder, pathEnd, 4096, func(n uint64) (err error) { // entries sort before proofs
			at, found := slices.BinarySearchFunc(p.Entries, n, func(e Entry, n uint64) int { return compare(e.Sequence, n) })
			if !found {
				return badMember("there is a proof without its entry")
			}
			p.Entries[at].Path, err = hashesOf(m.data)
			return err
		}},
		{consistencyFolder, consistencyEnd, 4096, func(n uint64) error {
			path, err := hashesOf(m.data)
			if err == nil && len(p.Consistency) == maxOlder {
				err = badMember("there are more than " + strconv.Itoa(maxOlder) + " older checkpoints")
			}
			p.Consistency = append(p.Consistency, Consistency{n, path})
			return err
		}},
		{cosignedFolder, cosignedEnd, proof.MaxNote, func(n uint64) error {
			if n != uint64(len(p.Cosigned)) || n >= maxOlder {
				return badMember("cosigned checkpoints are not numbered from 0")
			}
			p.Cosigned = append(p.Cosigned, m.data)
			return nil
		}},
		{statementFolder, statementEnd, maxDocument, func(n uint64) error {
			p.Statements = append(p.Statements, Statement{n, m.data})
			return nil
		}},
	} {
		text, inside := strings.CutPrefix(m.name, f.folder)
		text, ended := strings.CutSuffix(text, f.end)
		if !inside || !ended {
			continue
		}
		n, err := strconv.ParseUint(text, 10, 64)
		if err != nil || len(text) != digits || n > proof.MaxTree || len(m.data) > f.most {
			return badMember("the file " + refusal.Quote(m.name) + " has no fitting number, or is too long")
		}
		return f.take(n)
	}
	return badMember("nobody knows what the file " + refusal.Quote(m.name) + " is")
}

func compare(a, b uint64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func badManifest(what string) *refusal.Error {
	return refusal.Invalidf("EVIDENCE_MANIFEST", manifestName,
		"The manifest of the pack cannot be read: %s. Ask for the file once more.", what).With("found", what)
}

func badMember(what string) *refusal.Error {
	return refusal.Invalidf("EVIDENCE_MEMBER", "file",
		"The pack does not hold what a pack holds: %s. Ask for the file once more.", what).With("found", what)
}
