package ledger_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Each defence is taken out of a copy of its source, and the tests named beside it must fail then: a suite that passes
// without what it is for shows nothing. It builds the package anew for each, so it runs only where BARWARD_GUARDS is
// set.
func TestGuards(t *testing.T) {
	if os.Getenv("BARWARD_GUARDS") == "" {
		t.Skip("takes minutes; set BARWARD_GUARDS=1 to take each defence out and see its tests fail")
	}
	for _, g := range []struct {
		name, file, old, new string
		tests                []string // each of them must fail
	}{
		{"the journal is synced", "journal.go", "	if err := syncData(j.files[j.now]); err != nil {\n		return err\n	}\n", "",
			[]string{"TestPowerLoss"}},
		{"its name is synced", "journal.go", "		err = syncDir(filepath.Dir(name))\n", "		_ = filepath.Dir(name)\n", []string{"TestPowerLoss"}},
		{"the file is synced before its journal is written over", "file.go", "FreelistType:    bbolt.FreelistMapType,",
			"FreelistType: bbolt.FreelistMapType, NoSync: true,", []string{"TestPowerLoss"}},
		{"its batches have sums", "journal.go", "if frameSum(b) != [sha256.Size]byte(b[frameHead:frameRest]) {", "if false {",
			[]string{"TestJournalCutAnywhere", "TestJournalBytesChanged"}},
		{"what lies behind a spoiled batch is looked at", "journal.go", "	for len(b) > 0 {\n		at := bytes.Index", "	for false {\n		at := bytes.Index",
			[]string{"TestJournalBytesChanged"}},
		{"and is of the file's own turn", "journal.go", "	if len(frames) > 0 {\n		begin", "	if false {\n		begin", []string{"TestFramesInAnEvent"}},
		{"it agrees with the file", "store.go", "seq := f.first + uint64(i); !bytes.Equal(", "seq := f.first + uint64(i); false && !bytes.Equal(",
			[]string{"TestForkBesideTheJournal"}},
		{"its tree is signed", "store.go", "if at.Size != h.tree.Size() || at.Root != h.tree.Root() {", "if false {",
			[]string{"TestJournalOfElsewhere"}},
		{"it goes when the file has all of it", "ledger.go", "l.stopped(haltWrites) != nil || l.settle() != nil {", "l.stopped(haltWrites) != nil {",
			[]string{"TestJournalEnds"}},
		{"an event id is looked up", "append.go", "	if at == nil {\n", "	if at == nil || true {\n",
			[]string{"TestCrashAtEachPoint", "TestCrashAtRandom"}},
		{"a failed commit halts all work", "failure.go",
			"return l.stopFor(halt{level: haltAll, heals: full, err: outcomeUnknown(l.path, err)})", "return outcomeUnknown(l.path, err)",
			[]string{"TestDiskFailsAtEachStep"}},
		{"a disk that was full heals", "failure.go", "heals: full,", "heals: false,",
			[]string{"TestDiskFailsAtEachStep"}},
		{"a failing disk is not trusted again", "failure.go", "	full := diskFull(err)\n", "	full := diskFull(err) || err != nil\n",
			[]string{"TestDiskFailsAtEachStep"}},
		{"reopening verifies and writes", "failure.go", "		return v.rest(context.Background(), now.size(), func(f func(v *view) error) error { return f(now) })\n	})\n}\n\n// resume",
			"		_ = context.Background\n		return nil\n	})\n}\n\n// resume", []string{"TestReopenVerifiesTheTail"}},
		{"reopening demands the same log", "file.go", "	if known == nil {\n		return true, nil\n", "	if true {\n		return true, nil\n",
			[]string{"TestReopen", "TestAttackFork"}},
		{"a view asks again whether the book is whole", "read.go", "				if needs <= haltBook && tx", "				if false && needs <= haltBook && tx",
			[]string{"TestEverythingAtOnce"}},
		{"a halt is not lowered", "failure.go", "	if was := l.halt; was.err != nil && ", "	if was := l.halt; false && was.err != nil && ",
			[]string{"TestHaltIsNotLowered"}},
		{"a batch is shown after its sync", "append.go", "		begin := time.Now()\n		if err := l.journal", "		begin := time.Now()\n		l.show(h)\n		if err := l.journal",
			[]string{"TestReadsSeeWhatIsSynced"}},
		{"an orderly close writes both heads", "ledger.go", "	l.seal()\n", "", []string{"TestAttackSpoilTheHead"}},
		{"elements lie inside their pages", "verify.go", "			if err := checkElements(now.tx); err != nil {\n", "			if err := checkElements(now.tx); err != nil && false {\n",
			[]string{"TestAttackElementOutsideItsPage"}},
		{"pages are checked", "verify.go", "	if first != nil {\n", "	if first != nil && false {\n",
			[]string{"TestAttackFreeAUsedPage"}},
		{"hashes are checked", "verify.go", "case !bytes.Equal(want, r.hashes):", "case false:",
			[]string{"TestVerifyFinds", "TestAttackSwapTwoEntries", "TestFlippedBitsInEntries"}},
		{"the book is compared", "verify.go",
			"		report.BookKeys, err = compareBooks(now.book, viewOf(folded, head{}).book)\n", "",
			[]string{"TestAttackReplaceTheBook", "TestVerifyFinds"}},
		{"its figures are compared", "view.go", "case !bytes.Equal(va, vb):", "case false:", []string{"TestVerifyFinds"}},
		{"the head fits its tree", "file.go", "if signed.Size != size || signed.Root != h.tree.Root() {",
			"if signed.Size != size && false {",
			[]string{"TestAttackCutTheTail"}},
		{"a backup is held against a checkpoint", "backup.go", "if err := more.holds(viewOf(tx, h)); err != nil {",
			"if err := more.holds(viewOf(tx, h)); false {", []string{"TestCheckBackup", "TestAttackCutTheTail", "TestAttackFork"}},
		{"consistency is demanded", "proof/watcher.go", "if err := VerifyConsistency(*last, next, path); err != nil {",
			"if err := VerifyConsistency(*last, next, path); false {", []string{"TestAttackFork"}},
		{"an export's tree is checked", "proof/export.go", "if x.tree.Root() != x.checkpoint.Root {", "if false {",
			[]string{"TestEveryBitOfAnExport"}},
		{"an import judges again", "export.go", "if err := foldInto(v.book, c.Judge, r.entry); err != nil {",
			"if err := c.Judge.Apply(v.book, r.entry); err != nil {", []string{"TestImportRefusals"}},
		{"a judge that panics is told apart", "failure.go", "		case ofStore(p):\n", "		case true:\n",
			[]string{"TestApplyFails", "TestJudgeHasBugs"}},
		{"a file that fails in the judge is told apart", "failure.go", "		case ofStore(p):\n", "		case false:\n",
			[]string{"TestFileFailsInTheJudge"}},
	} {
		t.Run(g.name, func(t *testing.T) {
			source, err := os.ReadFile(filepath.FromSlash(g.file))
			if err != nil {
				t.Fatal(err)
			}
			if n := strings.Count(string(source), g.old); n != 1 {
				t.Fatalf("%s has the defence %d times; mend the list", g.file, n)
			}
			dir := t.TempDir()
			without := filepath.Join(dir, "without.go")
			write(t, without, []byte(strings.Replace(string(source), g.old, g.new, 1)))
			at, err := filepath.Abs(filepath.FromSlash(g.file))
			if err != nil {
				t.Fatal(err)
			}
			overlay, err := json.Marshal(map[string]any{"Replace": map[string]string{at: without}})
			if err != nil {
				t.Fatal(err)
			}
			write(t, filepath.Join(dir, "overlay.json"), overlay)
			cmd := exec.Command("go", "test", "-vet=off", "-count=1", "-timeout=10m", "-overlay="+filepath.Join(dir, "overlay.json"),
				"-run", "^("+strings.Join(g.tests, "|")+")$", ".")
			out, err := cmd.CombinedOutput()
			if err == nil {
				t.Errorf("without it, %v pass", g.tests)
			}
			if strings.Contains(string(out), "[build failed]") {
				t.Fatalf("it does not build:\n%s", out)
			}
			if strings.Contains(string(out), "panic: test timed out") {
				t.Fatalf("it hangs:\n%.3000s", out)
			}
			for _, name := range g.tests {
				// A panic or a crash of the whole is a failure of the test that was running.
				failed := regexp.MustCompile(`(?m)^(--- FAIL: ` + name + ` |panic: |fatal error: )`)
				if !failed.Match(out) {
					t.Errorf("without it, %s does not fail:\n%.3000s", name, out)
				}
			}
		})
	}
}
