package evidence

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protopath"
	"google.golang.org/protobuf/reflect/protorange"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Report is what a pack proves and what it does not, in words that need no knowledge of how it is done.
type Report struct {
	About    What
	Exporter string // as `party/person`; empty unless the pack shows it
	Exported time.Time
	Log      string // the log's name
	Size     uint64 // entries under the checkpoint
	Root     proof.Hash
	LogKey   string // as the pack gives it
	Compared bool   // the log's key is the one that the reader gave

	Signed     []Signature // per person, in the order of the register
	Cosigned   []Cosigned
	Statements []Recomputed
	Proven     []string
	NotProven  []string

	// Findings are what is wrong. Nothing in the pack should be relied on while there is one.
	Findings []*refusal.Error
}

// Sound reports whether nothing was found wrong.
func (r Report) Sound() bool { return len(r.Findings) == 0 }

// Signature is a person with the entries they signed.
type Signature struct {
	Person  string
	Key     string // short form
	Entries []uint64
}

// Cosigned is a checkpoint that somebody other than the log put their name to.
type Cosigned struct {
	Person string
	Size   uint64
	At     time.Time
	Covers int // entries of the pack under it
}

// finding is something wrong with a member of the pack.
func finding(reason, member, format string, args ...any) *refusal.Error {
	return refusal.New(refusal.DataLoss, reason, member, format, args...).About(member)
}

func entryName(n uint64) string { return numbered(entryFolder, n, entryEnd) }

// records opens the entries: framing, envelope, signature, content. What cannot be opened is a finding.
func (p *Pack) records() (records []*record, findings []*refusal.Error) {
	for _, e := range p.Entries {
		r, err := open(e)
		if err != nil {
			findings = append(findings, finding("ENTRY_INVALID", entryName(e.Sequence),
				"Entry %d is not what its author signed, or cannot be read: %s", e.Sequence, err.Text).Because(err))
			continue
		}
		records = append(records, r)
	}
	return records, findings
}

func open(e Entry) (*record, *refusal.Error) {
	leaf, err := proof.ParseLeaf(e.Leaf)
	if err != nil {
		return nil, refusal.As(err)
	}
	envelope, err := proof.Open(leaf.Signed)
	if err != nil {
		return nil, refusal.As(err)
	}
	event := new(pb.Event)
	if err := proto.Unmarshal(leaf.Event, event); err != nil {
		return nil, refusal.Invalidf("EVENT_MALFORMED", "event", "What was signed is no event.").Because(err)
	}
	return &record{
		sequence: e.Sequence, leaf: leaf, hash: proof.LeafHash(e.Leaf), id: envelope.ID.String(),
		key: keyID(envelope.Author), event: event,
	}, nil
}

// Verify checks a pack that was read, from the bytes alone. trusted is the log's public key as the reader has it from
// elsewhere, name+hash+base64; empty if they have none, and then the report says so.
//
// Reasons of findings: MANIFEST_SIGNATURE, EXPORTER_NOT_VOUCHED, LOG_KEY_MALFORMED, LOG_KEY_DIFFERS,
// CHECKPOINT_INVALID, ENTRY_INVALID, ENTRY_NOT_INCLUDED, ENTRY_REPEATED, KEY_NOT_VOUCHED, KEY_ENDED, NOT_VOUCHED,
// COSIGNATURE_NOT_VOUCHED, LOG_FORKED, CONSISTENCY_SUPERFLUOUS, KEYS_ALTERED, SUMMARY_ALTERED, ABOUT_NOTHING, and those
// of the statements (STATEMENT_*, ENTRY_MISSING).
func Verify(p Pack, trusted string) Report {
	v := &verification{p: &p, report: Report{About: p.About, Exported: p.Exported, LogKey: p.LogKey}}
	v.logKey(strings.TrimSpace(trusted))
	v.checkpoint()
	records, bad := p.records()
	v.report.Findings = append(v.report.Findings, bad...)
	v.records = records
	v.who = register(records)
	v.report.Findings = append(v.report.Findings, v.who.findings...)
	v.included()
	v.manifest()
	v.older()
	v.cosignatures(p.Checkpoint, v.at)
	v.words()
	v.about()
	v.statements()
	v.conclude()
	if more := len(v.report.Findings) - maxFindings; more > 0 {
		v.report.Findings = append(v.report.Findings[:maxFindings], finding("FINDINGS_TOO_MANY", "",
			"%d more findings are not told.", more))
	}
	return v.report
}

// verification is a pack being checked.
type verification struct {
	p        *Pack
	report   Report
	verifier proof.Verifier // nil if the log's key cannot be read
	at       proof.Checkpoint
	signed   bool // at is signed by the log
	records  []*record
	who      *registry
}

func (v *verification) object(reason, member, format string, args ...any) {
	v.report.Findings = append(v.report.Findings, finding(reason, member, format, args...))
}

// logKey reads the log's key and compares it with the reader's own.
func (v *verification) logKey(trusted string) {
	verifier, err := proof.NewVerifier(v.p.LogKey)
	if err != nil {
		v.object("LOG_KEY_MALFORMED", logKeyName,
			"The key of the log in the pack cannot be read, so nothing shows what the log holds.")
		return
	}
	v.verifier, v.report.Log = verifier, verifier.Name()
	if trusted == "" {
		return
	}
	if trusted != v.p.LogKey {
		v.object("LOG_KEY_DIFFERS", logKeyName,
			"The key of the log in the pack is not the one that you gave: this is another log, or one made up.")
		return
	}
	v.report.Compared = true
}

// checkpoint checks that the log signed the checkpoint.
func (v *verification) checkpoint() {
	if v.verifier == nil {
		return
	}
	at, err := proof.OpenCheckpoint(v.p.Checkpoint, v.verifier.Name(), v.verifier)
	if err != nil {
		v.object("CHECKPOINT_INVALID", checkpointName, "The log did not sign this checkpoint: %s", refusal.As(err).Text)
		return
	}
	v.at, v.signed = at, true
	v.report.Size, v.report.Root = at.Size, at.Root
}

// included checks that each entry is in the log under the checkpoint, once.
func (v *verification) included() {
	seen := map[string]uint64{}
	at := 0
	for _, r := range v.records {
		for v.p.Entries[at].Sequence != r.sequence {
			at++
		}
		if first, twice := seen[r.id]; twice {
			v.object("ENTRY_REPEATED", entryName(r.sequence), "Entries %d and %d are one event; a log takes an event once.",
				first, r.sequence)
		}
		seen[r.id] = r.sequence
		if !v.signed {
			continue // said already
		}
		if err := proof.VerifyInclusion(v.at, r.sequence, r.hash, v.p.Entries[at].Path); err != nil {
			v.object("ENTRY_NOT_INCLUDED", entryName(r.sequence),
				"Entry %d is not in the log under the checkpoint: %s", r.sequence, refusal.As(err).Text)
		}
	}
}

// manifest checks that the exporter signed the list of what the pack holds, and that they are who they say.
func (v *verification) manifest() {
	public, err := v.p.Key.Public()
	if err != nil || !ed25519.Verify(public, signedText(v.p.manifest), v.p.signature) {
		v.object("MANIFEST_SIGNATURE", signatureName,
			"The exporter's signature is not under this manifest: the pack was put together or changed by somebody else.")
		return
	}
	key := v.who.keys[v.p.Key]
	if key == nil || key.owner.name != v.p.Exporter {
		v.object("EXPORTER_NOT_VOUCHED", manifestName,
			"The pack says that %s exported it, and nothing in it shows that the key %s is theirs.",
			refusal.Quote(v.p.Exporter), v.p.Key.Short())
		return
	}
	if key.until != 0 {
		v.object("EXPORTER_NOT_VOUCHED", manifestName,
			"The key %s, by which the pack is signed, was %s by entry %d: its owner did not export this.",
			v.p.Key.Short(), key.ended, key.until)
		return
	}
	v.report.Exporter = v.p.Exporter
}

// older checks that the log continued each older checkpoint that a party cosigned or a statement names.
func (v *verification) older() {
	paths := map[uint64][]proof.Hash{}
	for _, c := range v.p.Consistency {
		paths[c.Size] = c.Path
	}
	used := map[uint64]bool{}
	continued := func(old proof.Checkpoint, member, what string) bool {
		path, ok := paths[old.Size]
		used[old.Size] = true
		if v.signed && (ok || old.Size == v.at.Size) && proof.VerifyConsistency(old, v.at, path) == nil {
			return true
		}
		v.object("LOG_FORKED", member,
			"Nothing shows that the log continued %s, of %d entries. If the log cannot show it either, it was rewritten: "+
				"keep this file.", what, old.Size)
		return false
	}
	for i, note := range v.p.Cosigned {
		name := numbered(cosignedFolder, uint64(i), cosignedEnd)
		if v.verifier == nil {
			continue
		}
		old, err := proof.OpenCheckpoint(note, v.verifier.Name(), v.verifier)
		if err != nil {
			v.object("CHECKPOINT_INVALID", name, "The log did not sign a checkpoint that was cosigned: %s", refusal.As(err).Text)
			continue
		}
		if continued(old, name, "a checkpoint that was cosigned") {
			v.cosignatures(note, old)
		}
	}
	for _, r := range v.records {
		issued := r.event.GetStatementIssued()
		if issued.GetCheckpointSize() == 0 {
			continue
		}
		if len(issued.CheckpointRoot) != len(proof.Hash{}) {
			v.object("LOG_FORKED", entryName(r.sequence), "Entry %d names a checkpoint without its root.", r.sequence)
			continue
		}
		old := proof.Checkpoint{Origin: v.at.Origin, Size: issued.CheckpointSize, Root: proof.Hash(issued.CheckpointRoot)}
		continued(old, entryName(r.sequence), fmt.Sprintf("the checkpoint on which the statement of entry %d rests",
			r.sequence))
	}
	for size := range paths {
		if !used[size] {
			v.object("CONSISTENCY_SUPERFLUOUS", numbered(consistencyFolder, size, consistencyEnd),
				"A proof belongs to no checkpoint in the pack.")
		}
	}
}

// cosignatures checks every line under a checkpoint: the log's, and otherwise those of persons that the pack vouches
// for. A line that nobody can check is no ornament: it is a finding.
func (v *verification) cosignatures(note []byte, at proof.Checkpoint) {
	if !v.signed {
		return
	}
	body, lines, err := proof.SplitNote(note)
	if err != nil {
		return // said already
	}
	logs := 0
	for _, line := range lines {
		if v.byLog(line) {
			logs++
			continue
		}
		c, err := proof.ParseCosignature(line)
		var key *keyHeld
		if err == nil {
			key = v.who.cosigner(c, body)
		}
		if key == nil || key.until != 0 && key.until < at.Size { // the tree itself holds the end of the key
			v.object("COSIGNATURE_NOT_VOUCHED", checkpointName,
				"A line under the checkpoint of %d entries is a signature by nobody whom the pack vouches for, or for another "+
					"checkpoint: %s",
				at.Size, refusal.Quote(strings.TrimSuffix(line, "\n")))
			continue
		}
		covers := 0
		for _, r := range v.records {
			if r.sequence < at.Size {
				covers++
			}
		}
		v.report.Cosigned = append(v.report.Cosigned, Cosigned{c.Name, at.Size, c.At, covers})
	}
	if logs != 1 {
		v.object("CHECKPOINT_INVALID", checkpointName,
			"The checkpoint of %d entries bears %d signatures of the log, and not one.", at.Size, logs)
	}
}

// byLog reports whether a line is the log's own signature, in its one spelling. OpenCheckpoint has verified it.
func (v *verification) byLog(line string) bool {
	name, encoded, _ := strings.Cut(strings.TrimSuffix(strings.TrimPrefix(line, "— "), "\n"), " ")
	raw, err := base64.StdEncoding.Strict().DecodeString(encoded)
	return err == nil && name == v.verifier.Name() && len(raw) == 4+ed25519.SignatureSize &&
		binary.BigEndian.Uint32(raw) == v.verifier.KeyHash()
}

// words checks that the texts to read are those that the entries give.
func (v *verification) words() {
	if !bytes.Equal(v.p.keys, v.who.text()) {
		v.object("KEYS_ALTERED", keysName, "The list of keys is not the one that the entries give. Do not use it.")
	}
	if !bytes.Equal(v.p.summary, v.p.summarize(v.records)) {
		v.object("SUMMARY_ALTERED", summaryName, "The summary does not say what the entries say. Do not read it.")
	}
}

// about checks that the pack is about what it says: an entry in it tells of that thing.
func (v *verification) about() {
	name := v.p.About.Name
	if v.p.About.Kind == Discrepancy { // d41.1 was raised by entry 41
		number, _, _ := strings.Cut(strings.TrimPrefix(name, "d"), ".")
		n, err := strconv.ParseUint(number, 10, 48)
		if err == nil && slices.ContainsFunc(v.records, func(r *record) bool { return r.sequence == n }) {
			return
		}
	} else if slices.ContainsFunc(v.records, func(r *record) bool { return tells(r, v.p.About) }) {
		return
	}
	v.object("ABOUT_NOTHING", manifestName, "The pack says that it is about %s, and no entry in it tells of that.",
		v.p.About)
}

// tells reports whether an entry brought a bar or a lot into the record, or names it.
func tells(r *record, what What) bool {
	party, number, _ := strings.Cut(what.Name, "/")
	if r.party() == party && what.Kind == Lot && r.event.GetLotOpened().GetLotId() == number {
		return true
	}
	if r.party() == party && what.Kind == Bar &&
		slices.ContainsFunc(r.event.GetPourRecorded().GetBars(), func(b *pb.PouredBar) bool { return b.Mark == number }) {
		return true
	}
	named := false
	_ = protorange.Range(r.event.ProtoReflect(), func(values protopath.Values) error {
		text, ok := values.Index(-1).Value.Interface().(string)
		named = named || ok && text == what.Name
		return nil
	})
	return named
}
