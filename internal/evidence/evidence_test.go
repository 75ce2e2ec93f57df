package evidence

import (
	"bytes"
	"crypto/ed25519"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

func TestPackOfABar(t *testing.T) {
	w := gold(t)
	p := w.pack(goldBar, "quillmoss/ibbet")
	file := w.write(p)
	if again := w.write(p); !bytes.Equal(again, file) {
		t.Error("one pack is written in two ways")
	}
	r := w.sound(p)
	if r.Exporter != "quillmoss/ibbet" || r.Log != worldOrigin || r.Size != 6 || !r.Compared || len(r.Signed) != 3 ||
		len(r.Cosigned) != 1 || r.Cosigned[0].Person != "quillmoss/ibbet" || r.Cosigned[0].Covers != 6 {
		t.Errorf("%+v", r)
	}
	words := strings.Join(append(r.Proven, r.NotProven...), "\n")
	for _, want := range []string{
		"6 entries of this file are in that log", "quillmoss/wren says so in entry 4", "who founded the log",
		"That the metal was there", "That this is all", "clocks", "Only the exporter's own party",
	} {
		if !strings.Contains(words, want) {
			t.Errorf("the report does not say %q:\n%s", want, words)
		}
	}
	if summary := w.read(file).Summary(); !strings.Contains(summary, "readings 19832.6 g") || !strings.Contains(summary,
		"signed by quillmoss/ibbet: pour_recorded") {
		t.Errorf("the summary says\n%s", summary)
	}
	// Without the log's key from elsewhere anybody could have made up the whole log, and the report says so.
	r = Verify(w.read(file), "")
	if !r.Sound() || r.Compared || !strings.Contains(strings.Join(r.NotProven, "\n"), "verify again with --log-key") {
		t.Errorf("without a key: %v, %v", r.Findings, r.NotProven)
	}
	other := gold(t)
	if !slices.ContainsFunc(Verify(w.read(file), other.logKey).Findings,
		func(f *refusal.Error) bool { return f.Reason == "LOG_KEY_DIFFERS" }) {
		t.Error("another log's key is not told from this one's")
	}
}

// eachBit calls flip for every bit of size bytes, on all processors, until flip says that it was not found.
func eachBit(t *testing.T, size int, step int, flip func(bit int) (found bool)) {
	t.Helper()
	var missed atomic.Int64
	missed.Store(-1)
	var wait sync.WaitGroup
	const workers = 4
	for worker := range workers {
		wait.Add(1)
		go func() {
			defer wait.Done()
			for bit := worker * step; bit < size*8 && missed.Load() < 0; bit += workers * step {
				if !flip(bit) {
					missed.Store(int64(bit))
				}
			}
		}()
	}
	wait.Wait()
	if bit := missed.Load(); bit >= 0 {
		t.Fatalf("nobody finds that bit %d of byte %d was changed", bit%8, bit/8)
	}
}

func flipped(b []byte, bit int) []byte {
	out := bytes.Clone(b)
	out[bit/8] ^= 1 << (bit % 8)
	return out
}

// found reports whether reading or verifying a file finds something.
func found(file []byte, logKey string) bool {
	p, err := Read(file)
	return err != nil || !Verify(p, logKey).Sound()
}

// Every single bit of the file counts.
func TestEveryBitOfTheFile(t *testing.T) {
	w := gold(t)
	file := w.write(w.pack(goldBar, "quillmoss/ibbet"))
	if found(file, w.logKey) {
		t.Fatal("the file itself is not sound")
	}
	eachBit(t, len(file), 1, func(bit int) bool { return found(flipped(file, bit), w.logKey) })
}

// Every byte of every member counts also where the ZIP around it was made anew, so that only the manifest can tell; and
// every byte of the manifest and of its signature.
func TestEveryByteOfEveryMember(t *testing.T) {
	w := gold(t)
	members, err := unpack(w.write(w.pack(goldBar, "quillmoss/ibbet")))
	if err != nil {
		t.Fatal(err)
	}
	for i, m := range members {
		eachBit(t, len(m.data), 3, func(bit int) bool { // every third, so some of every byte
			changed := slices.Clone(members)
			changed[i].data = flipped(m.data, bit)
			file, err := pack(changed)
			if err != nil {
				t.Error(err)
			}
			return found(file, w.logKey)
		})
	}
}

// The exporter can sign a manifest over anything. One bit in every byte of every member is changed and the manifest
// made and signed anew: what is left to tell are the signatures, the tree and the texts made again.
func TestEveryByteAgainstTheExporter(t *testing.T) {
	w := gold(t)
	file := w.write(w.pack(goldBar, "quillmoss/ibbet"))
	members, err := unpack(file)
	if err != nil {
		t.Fatal(err)
	}
	header := w.read(file).header()
	for i, m := range members {
		if m.name == manifestName || m.name == signatureName {
			continue
		}
		eachBit(t, len(m.data), 9, func(bit int) bool {
			changed := slices.Clone(members)
			changed[i].data = flipped(m.data, bit)
			changed = slices.DeleteFunc(changed, func(m member) bool {
				return m.name == manifestName ||
					m.name == signatureName
			})
			file, err := seal(slices.Clone(header), changed, w.key("quillmoss/ibbet"))
			if err != nil {
				t.Error(err)
			}
			return found(file, w.logKey)
		})
	}
}

func TestKeyFromTheFuture(t *testing.T) {
	w := gold(t)
	w.now = "2025-03-06T09:00:00+00:00"
	// Signed before the log enrolled its key: a leaf that only the log itself could have put there.
	w.record("quillmoss/mallory", &pb.IncidentReported{Subject: "quillmoss/QM-1", Description: "invented"})
	w.enrol("quillmoss/wren", "quillmoss/mallory", pb.Role_ROLE_WITNESS)
	w.wantFinding(w.write(w.pack(goldBar, "quillmoss/ibbet")), "KEY_NOT_VOUCHED")
}

// What a thief, the other party or the exporter may try, each by name.
func TestAttacks(t *testing.T) {
	const ibbet = "quillmoss/ibbet"
	for name, attack := range map[string]struct {
		reason string
		file   func(w *world, good []byte) []byte
	}{
		"a file inside changed, and packed again": {"EVIDENCE_MEMBER", func(w *world, _ []byte) []byte {
			p := w.pack(goldBar, ibbet)
			p.Cover = []byte("%PDF-1.7, invented")
			return repack(w, w.write(p), with(coverName, func(b []byte) []byte {
				return bytes.Replace(b, []byte("invented"),
					[]byte("reworded"), 1)
			}))
		}},
		"a file inside taken away, and packed again": {"EVIDENCE_MANIFEST", func(w *world, good []byte) []byte {
			return repack(w, good, without(summaryName)) // the last of the list
		}},
		"no entries at all": {"EXPORTER_NOT_VOUCHED", func(w *world, good []byte) []byte {
			return w.resealTold(good, ibbet, func(m []member) []member {
				return slices.DeleteFunc(m, func(m member) bool { return strings.Contains(m.name, "/") })
			})
		}},
		"the log's signature changed": {"CHECKPOINT_INVALID", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, with(checkpointName, func(b []byte) []byte {
				at := bytes.Index(b, []byte("— "+worldOrigin+" ")) + len("— "+worldOrigin+" ") + 20
				b[at] = map[bool]byte{true: 'B', false: 'A'}[b[at] == 'A']
				return b
			}))
		}},
		"an entry changed": {"ENTRY_INVALID", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, with(entryName(5), func(b []byte) []byte {
				return bytes.Replace(b, []byte("19832.6"),
					[]byte("19832.7"), 1)
			}))
		}},
		"an entry replaced by one that its author signed and the log never took": {"ENTRY_NOT_INCLUDED", func(w *world,
			good []byte) []byte {
			made := gold(w)
			made.keys = w.keys
			n := made.record(ibbet, &pb.PourRecorded{PourId: "P-1", Balance: "quillmoss/QB1",
				Bars: []*pb.PouredBar{{Mark: "QM-1", Readings: []string{"19900.0 g", "19900.0 g"}}}})
			leaf := made.entries[n].Leaf
			return w.resealTold(good, ibbet, with(entryName(5), func([]byte) []byte { return leaf }))
		}},
		"two entries swapped": {"ENTRY_NOT_INCLUDED", func(w *world, good []byte) []byte {
			return w.resealTold(good, ibbet, func(members []member) []member {
				a, b := index(members, entryName(3)), index(members, entryName(4))
				members[a].data, members[b].data = members[b].data, members[a].data
				return members
			})
		}},
		"the log's time of an entry changed": {"ENTRY_NOT_INCLUDED", func(w *world, good []byte) []byte {
			return w.resealTold(good, ibbet, with(entryName(5), func(b []byte) []byte { b[10]++; return b }))
		}},
		"an entry given twice": {"ENTRY_REPEATED", func(w *world, good []byte) []byte {
			return w.resealTold(good, ibbet, func(members []member) []member {
				leaf, path := members[index(members, entryName(5))].data,
					members[index(members, numbered(pathFolder, 5, pathEnd))].data
				return append(members, member{entryName(6), leaf}, member{numbered(pathFolder, 6, pathEnd), path})
			})
		}},
		"an entry without its proof": {"ENTRY_NOT_INCLUDED", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, with(numbered(pathFolder, 5, pathEnd), func([]byte) []byte { return nil }))
		}},
		"the enrolment left out": {"KEY_NOT_VOUCHED", func(w *world, good []byte) []byte {
			return w.resealTold(good, ibbet, without(entryName(4), numbered(pathFolder, 4, pathEnd)))
		}},
		"the founder left out": {"KEY_NOT_VOUCHED", func(w *world, good []byte) []byte {
			return w.resealTold(good, ibbet, without(entryName(0), numbered(pathFolder, 0, pathEnd)))
		}},
		"the party's registration left out": {"NOT_VOUCHED", func(w *world, good []byte) []byte {
			return w.resealTold(good, ibbet, without(entryName(2), numbered(pathFolder, 2, pathEnd)))
		}},
		"a checkpoint of another log under this one's name": {"CHECKPOINT_INVALID", func(w *world, good []byte) []byte {
			_, note := gold(w).checkpoint(6)
			return w.reseal(good, ibbet, with(checkpointName, func([]byte) []byte { return note }))
		}},
		"another log altogether, under its own key": {"LOG_KEY_DIFFERS", func(w *world, _ []byte) []byte {
			made := gold(w)
			return made.write(made.pack(goldBar, ibbet))
		}},
		"a cosignature given for another checkpoint": {"COSIGNATURE_NOT_VOUCHED", func(w *world, good []byte) []byte {
			_, smaller := w.checkpoint(5)
			return w.reseal(good, ibbet, with(checkpointName, func(note []byte) []byte {
				return append(note, cosignLine(w,
					smaller, "quillmoss/wren")...)
			}))
		}},
		"a cosignature given for another log": {"COSIGNATURE_NOT_VOUCHED", func(w *world, good []byte) []byte {
			other, _ := w.checkpoint(6)
			other.Origin = "log.invalid/other"
			c, err := proof.Cosign(other.Marshal(), "quillmoss/wren", w.key("quillmoss/wren").Private(), w.read(good).Exported)
			if err != nil {
				w.Fatal(err)
			}
			return w.reseal(good, ibbet, with(checkpointName, func(note []byte) []byte { return append(note, c.Line()...) }))
		}},
		"a cosignature by somebody whom nobody enrolled": {"COSIGNATURE_NOT_VOUCHED", func(w *world, good []byte) []byte {
			_, note := w.checkpoint(6)
			return w.reseal(good, ibbet, with(checkpointName, func(old []byte) []byte {
				return append(old, cosignLine(w, note,
					"thistlequay/mallory")...)
			}))
		}},
		"a cosignature under somebody else's name": {"COSIGNATURE_NOT_VOUCHED", func(w *world, good []byte) []byte {
			_, note := w.checkpoint(6)
			body, _, err := proof.SplitNote(note)
			if err != nil {
				w.Fatal(err)
			}
			c, err := proof.Cosign(body, "quillmoss/wren", w.key(ibbet).Private(), w.read(good).Exported)
			if err != nil {
				w.Fatal(err)
			}
			return w.reseal(good, ibbet, with(checkpointName, func(old []byte) []byte { return append(old, c.Line()...) }))
		}},
		"a line of the log twice, in another spelling": {"CHECKPOINT_INVALID", func(w *world, good []byte) []byte {
			_, note := w.checkpoint(6)
			_, lines, err := proof.SplitNote(note)
			if err != nil {
				w.Fatal(err)
			}
			return w.reseal(good, ibbet, with(checkpointName, func(old []byte) []byte { return append(old, lines[0]...) }))
		}},
		"the manifest signed by nobody whom the log knows": {"MANIFEST_SIGNATURE", func(w *world, good []byte) []byte {
			return w.reseal(good, "quillmoss/mallory", func(m []member) []member { return m })
		}},
		"a pack that an unregistered key exports": {"EXPORTER_NOT_VOUCHED", func(w *world, _ []byte) []byte {
			p := w.pack(goldBar, ibbet)
			p.Exporter, p.Key = "quillmoss/mallory", w.key("quillmoss/mallory").ID()
			return w.write(p)
		}},
		"a pack that says somebody else exported it": {"EXPORTER_NOT_VOUCHED", func(w *world, _ []byte) []byte {
			p := w.pack(goldBar, ibbet)
			p.Exporter = "quillmoss/wren"
			file, err := Write(p, w.key(ibbet))
			if err != nil {
				w.Fatal(err)
			}
			return file
		}},
		"the summary rewritten": {"SUMMARY_ALTERED", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, with(summaryName, func(b []byte) []byte {
				return bytes.Replace(b, []byte("19832.6"),
					[]byte("19932.6"), 1)
			}))
		}},
		"the list of keys rewritten": {"KEYS_ALTERED", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, with(keysName, func(b []byte) []byte {
				return bytes.Replace(b,
					[]byte("quillmoss/wren"), []byte("quillmoss/wran"), 1)
			}))
		}},
		"a pack said to be about another bar": {"ABOUT_NOTHING", func(w *world, _ []byte) []byte {
			return w.write(w.pack(What{Bar, "quillmoss/QM-9"}, ibbet))
		}},
		"a pack said to be about a lot that is nowhere": {"ABOUT_NOTHING", func(w *world, _ []byte) []byte {
			return w.write(w.pack(What{Lot, "quillmoss/QM-1x"}, ibbet))
		}},
		"a file more inside": {"EVIDENCE_MEMBER", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, func(m []member) []member {
				return append(m, member{"entries/notes.txt",
					[]byte("x")})
			})
		}},
		"a file less inside": {"EVIDENCE_MEMBER", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, without(summaryName))
		}},
		"a proof without its entry": {"EVIDENCE_MEMBER", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, without(entryName(5)))
		}},
		"a proof in another spelling": {"EVIDENCE_MEMBER", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, with(numbered(pathFolder, 5, pathEnd), func(b []byte) []byte { return b[:len(b)-1] }))
		}},
		"a proof with more than hashes": {"EVIDENCE_MEMBER", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, with(numbered(pathFolder, 5, pathEnd),
				func(b []byte) []byte { return append(b, "AAAA\n"...) }))
		}},
		"the log's key with a blank": {"EVIDENCE_MEMBER", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, with(logKeyName, func(b []byte) []byte { return b[:len(b)-1] }))
		}},
		"a number in another spelling": {"EVIDENCE_MANIFEST", func(w *world, good []byte) []byte {
			return w.reheader(good, ibbet, func(h string) string { return h + "withheld 007\n" })
		}},
		"a time in another spelling": {"EVIDENCE_MANIFEST", func(w *world, good []byte) []byte {
			return w.reheader(good, ibbet, func(h string) string { return strings.Replace(h, "10:00:00Z", "10:00:00.000Z", 1) })
		}},
		"an exporter with a weak key": {"EVIDENCE_MANIFEST", func(w *world, good []byte) []byte {
			return w.reheader(good, ibbet, func(h string) string {
				return strings.Replace(h, string(w.key(ibbet).ID()), "01"+strings.Repeat("0", 62), 1)
			})
		}},
		"a consistency proof for nothing": {"CONSISTENCY_SUPERFLUOUS", func(w *world, good []byte) []byte {
			return w.reseal(good, ibbet, func(m []member) []member {
				return append(m, member{numbered(consistencyFolder, 3, consistencyEnd), nil})
			})
		}},
	} {
		t.Run(name, func(t *testing.T) {
			w := gold(t)
			good := w.write(w.pack(goldBar, ibbet))
			if found(good, w.logKey) {
				t.Fatal("the file is not sound before it is attacked")
			}
			w.wantFinding(attack.file(w, good), attack.reason)
		})
	}
}

// repack changes members and makes the ZIP file anew, and nothing else.
func repack(w *world, file []byte, change func([]member) []member) []byte {
	w.Helper()
	members, err := unpack(file)
	if err != nil {
		w.Fatal(err)
	}
	out, err := pack(change(slices.Clone(members)))
	if err != nil {
		w.Fatal(err)
	}
	return out
}

// reheader is reseal with the beginning of the manifest changed.
func (w *world) reheader(file []byte, exporter string, change func(string) string) []byte {
	w.Helper()
	members, err := unpack(file)
	if err != nil {
		w.Fatal(err)
	}
	members = without(manifestName, signatureName)(slices.Clone(members))
	out, err := seal([]byte(change(string(w.read(file).header()))), members, w.key(exporter))
	if err != nil {
		w.Fatal(err)
	}
	return out
}

func index(members []member, name string) int {
	return slices.IndexFunc(members, func(m member) bool { return m.name == name })
}

// resealTold is reseal with the texts to read made anew too, as an exporter with our program in hand would.
func (w *world) resealTold(file []byte, exporter string, change func([]member) []member) []byte {
	w.Helper()
	changed := w.reseal(file, exporter, change)
	p, err := Read(changed)
	if err != nil {
		w.Fatal(err)
	}
	records, _ := p.records()
	keys, summary := register(records).text(), []byte(nil)
	summary = p.summarize(records)
	return w.reseal(changed, exporter, func(members []member) []member {
		return with(keysName, func([]byte) []byte { return keys })(with(summaryName,
			func([]byte) []byte { return summary })(members))
	})
}

// cosignLine is a person's line for a checkpoint.
func cosignLine(w *world, note []byte, name string) string {
	w.Helper()
	_, lines, err := proof.SplitNote(w.cosigned(note, name))
	if err != nil {
		w.Fatal(err)
	}
	return lines[len(lines)-1]
}

// Parties cosign checkpoints as they see them; a pack made later shows that the log continued them, and finds it out if
// the log did not.
func TestOlderCheckpoints(t *testing.T) {
	w := gold(t)
	w.enrol("quillmoss/wren", "quillmoss/tamsin", pb.Role_ROLE_WITNESS)
	_, older := w.checkpoint(6)
	p := w.pack(goldBar, "quillmoss/ibbet")
	p.Cosigned = [][]byte{w.cosigned(older, "quillmoss/tamsin")}
	p.Consistency = []Consistency{{6, w.consistency(6, 7)}}
	r := w.sound(p)
	if len(r.Cosigned) != 2 || r.Cosigned[0].Person != "quillmoss/tamsin" || r.Cosigned[0].Size != 6 ||
		r.Cosigned[0].Covers != 6 {
		t.Errorf("%+v", r.Cosigned)
	}
	missing := p
	missing.Consistency = nil
	w.wantFinding(w.write(missing), "LOG_FORKED")

	// The log signed another tree of six entries for tamsin alone.
	fork := gold(t)
	fork.signer, fork.logKey, fork.keys = w.signer, w.logKey, w.keys
	fork.entries, fork.hashes = fork.entries[:5], fork.hashes[:8] // StoredHashes of five entries are eight
	fork.record("quillmoss/ibbet", &pb.IncidentReported{Subject: "quillmoss/QM-1", Description: "another past"})
	_, other := fork.checkpoint(6)
	forked := p
	forked.Cosigned = [][]byte{fork.cosigned(other, "quillmoss/tamsin")}
	w.wantFinding(w.write(forked), "LOG_FORKED")

	// It was cosigned, and the log never signed it.
	unsigned := p
	foreign := gold(t)
	_, theirs := foreign.checkpoint(6)
	unsigned.Cosigned = [][]byte{w.cosigned(theirs, "quillmoss/tamsin")}
	w.wantFinding(w.write(unsigned), "CHECKPOINT_INVALID")
}

// A statement may name the checkpoint it rests on; the log must have continued that one.
func TestStatementNamesItsCheckpoint(t *testing.T) {
	w := gold(t)
	at, _ := w.checkpoint(5)
	w.record("quillmoss/wren", &pb.StatementIssued{StatementId: "ST-1", Lot: "quillmoss/none", CheckpointSize: 5,
		CheckpointRoot: at.Root[:]})
	p := w.pack(goldBar, "quillmoss/ibbet")
	p.Consistency = []Consistency{{5, w.consistency(5, 7)}}
	for _, f := range Verify(w.read(w.write(p)), w.logKey).Findings {
		if f.Reason == "LOG_FORKED" {
			t.Errorf("%v", f)
		}
	}
	w = gold(t)
	w.record("quillmoss/wren", &pb.StatementIssued{StatementId: "ST-1", Lot: "quillmoss/none", CheckpointSize: 5,
		CheckpointRoot: make([]byte, 32)})
	p = w.pack(goldBar, "quillmoss/ibbet")
	p.Consistency = []Consistency{{5, w.consistency(5, 7)}}
	w.wantFinding(w.write(p), "LOG_FORKED")
}

// Whoever needs no program of ours: the recipe that the help prints runs in a shell, with openssl.
func TestByHand(t *testing.T) {
	w := gold(t)
	byHand(t, w, w.write(w.pack(goldBar, "quillmoss/ibbet")), 5)
}

func TestWriteRefuses(t *testing.T) {
	w := gold(t)
	_, err := Write(w.pack(goldBar, "quillmoss/ibbet"), w.key("quillmoss/wren"))
	wantReason(t, err, "EVIDENCE_EXPORTER")
	_, err = Write(w.pack(goldBar, "quillmoss/ibbet"), identity.Key{})
	wantReason(t, err, "EVIDENCE_EXPORTER")
	bad := w.pack(What{"box", "quillmoss/B-1"}, "quillmoss/ibbet")
	_, err = Write(bad, w.key("quillmoss/ibbet"))
	wantReason(t, err, "EVIDENCE_MANIFEST")
	for _, what := range []What{{}, {Bar, ""}, {Bar, "a b"}, {Bar, "a\nb"}, {"x", "y/z"}, {Lot,
		strings.Repeat("x", maxName+1)}} {
		wantReason(t, what.Check(), "EVIDENCE_ABOUT")
	}
}

func wantReason(t *testing.T, err error, reason string) {
	t.Helper()
	if !refusal.Is(err, reason) {
		t.Fatalf("got %v, want %s", err, reason)
	}
}

// A signature for one purpose is none for another.
func TestPurposes(t *testing.T) {
	w := gold(t)
	key := w.key("quillmoss/ibbet")
	manifest := []byte("x")
	for name, signed := range map[string][]byte{"an event's": proof.Sign(key.Private(), signedText(manifest)).Signature,
		"of the bytes alone": ed25519.Sign(key.Private(), manifest)} {
		if ed25519.Verify(key.Public(), signedText(manifest), signed) {
			t.Errorf("a signature %s passes for one under a manifest", name)
		}
	}
	if strings.HasPrefix(Purpose, proof.Purpose) || strings.HasPrefix(proof.Purpose, Purpose) {
		t.Error("one purpose begins with the other")
	}
}

func (w *world) consistency(old, size uint64) []proof.Hash {
	w.Helper()
	path, err := proveTree(size, old, w)
	if err != nil {
		w.Fatal(err)
	}
	return path
}
