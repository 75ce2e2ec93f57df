package main

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"barward/internal/quantity"
)

// The demonstration is played as `make demo` plays it, and leaves what the README promises: the net sums, the register
// with exactly what was planted in the data, one bar's trace, and a ledger that verifies.
func TestDemonstration(t *testing.T) {
	if testing.Short() {
		t.Skip("it builds both programs and plays some hundred commands")
	}
	out := t.TempDir()
	play := exec.Command("go", "run", "../testdata/demo/play", "-quiet", "-out", out)
	if said, err := play.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, said)
	}

	// Planted, see testdata/demo: a seal that is another at the transfer (seals-transfer.csv), a box signed for after its
	// hour, one bar heavier by what the thinner air of the mine explains and one lighter by what nothing explains
	// (scans.csv), silver beyond the splitting limit on L-2, and a return for L-1 at another percentage. Gold on L-1 lies
	// exactly on its limit and raises nothing.
	planted := []string{
		"accepted late quillmoss/B-5",
		"assay split thistlequay/L-2",
		"return differs thistlequay/L-1",
		"seal quillmoss/B-4",
		"weight on arrival quillmoss/QM-0418",
		"weight on arrival quillmoss/QM-0421",
	}
	register := map[string]map[string]string{}
	var found []string
	for _, row := range csvRows(t, filepath.Join(out, "discrepancies.csv")) {
		name := row["kind"] + " " + row["subject"]
		found = append(found, name)
		register[name] = row
	}
	slices.Sort(found)
	if !slices.Equal(found, planted) {
		t.Errorf("the register holds\n  %s\nand not\n  %s", strings.Join(found, "\n  "), strings.Join(planted, "\n  "))
	}
	for name, want := range map[string]map[string]string{
		// By hand, from scans.csv and the pours: 20205.5 less the mean of 20204.7 and 20204.9; the mean of 21873.4 and
		// 21873.6 less that of 21877.0 and 21877.2.
		"weight on arrival quillmoss/QM-0418": {"observed": "0.7 g", "limit": "0.5 g"},
		"weight on arrival quillmoss/QM-0421": {"observed": "-3.6 g", "limit": "0.5 g"},
		// By hand: 148.20 less 145.70.
		"assay split thistlequay/L-2": {"observed": "2.50 ppt", "limit": "2.00 ppt", "state": "decided"},
		// By hand: 4480.481 oz at 99.90 % and at 99.80 % are 4476.000 and 4471.520 oz, cut; 4.480 oz at 2931.90 - 0.40 USD.
		"return differs thistlequay/L-1": {"observed": "-13133.12 USD", "money": "13133.12 USD"},
	} {
		for column, value := range want {
			if got := register[name][column]; got != value {
				t.Errorf("%s: %s is %q, by hand %q", name, column, got, value)
			}
		}
	}
	// What the air explains of a difference leaves a rest within the limit for the one bar, and not for the other.
	for bar, explained := range map[string]bool{"quillmoss/QM-0418": true, "quillmoss/QM-0421": false} {
		row := register["weight on arrival "+bar]
		rest := mass(t, row["observed"]).Sub(mass(t, row["explained"])).Abs()
		if within := rest.Cmp(mass(t, row["limit"])) <= 0; within != explained {
			t.Errorf("%s: %s of %s is explained, which leaves %s of a limit of %s", bar, row["explained"], row["observed"], rest, row["limit"])
		}
	}

	nets := map[string]string{}
	for _, file := range []string{"quillmoss-ST-1.json", "quillmoss-ST-2C.json"} {
		var statement struct{ Lot, Net string }
		text, err := os.ReadFile(filepath.Join(out, file))
		if err == nil {
			err = json.Unmarshal(text, &statement)
		}
		if err != nil {
			t.Fatal(err)
		}
		nets[statement.Lot] = statement.Net
	}
	// By hand, from the terms: 4476.000 oz at 2931.90 and 805.212 oz at 33.0240 are 13123184.40 and 26591.32; less 3039.97
	// for treatment, 1790.40 for refining, 450.00 for the lot, 11767725.32 paid before and 28765.55 of interest.
	if nets["thistlequay/L-1"] != "1348004.48 USD" {
		t.Errorf("net sum of L-1 %s, by hand 1348004.48 USD", nets["thistlequay/L-1"])
	}
	// By hand: 99091 g at 813.76 and 146.80 ppt are 2592.517 and 467.683 oz fine, 2589.924 and 458.329 oz payable; at 2940.45
	// and 33.1850 they are 7615542.03 and 15209.65; less 1752.81, 1035.97, 450.00 and the umpire's 640.00.
	if nets["thistlequay/L-2"] != "7626872.90 USD" {
		t.Errorf("net sum of L-2 %s, by hand 7626872.90 USD", nets["thistlequay/L-2"])
	}

	trace, err := os.ReadFile(filepath.Join(out, "trace-QM-0421.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range []string{"poured", "packed", "released", "accepted", "QS-7180", "received", "melted", "3.6 g"} {
		if !strings.Contains(string(trace), step) {
			t.Errorf("the trace of QM-0421 does not tell of %s", step)
		}
	}
	said, err := exec.Command(filepath.Join(out, "bin", "barward-server"), "verify", "--ledger", filepath.Join(out, "ledger.db")).Output()
	if err != nil || !strings.Contains(string(said), `"verified": true`) {
		t.Errorf("the ledger does not verify: %v\n%s", err, said)
	}
	t.Run("evidence", func(t *testing.T) { evidenceOfTheDemonstration(t, out) })
}

func mass(t *testing.T, text string) quantity.Mass {
	t.Helper()
	m, err := quantity.ParseMass(text)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// csvRows reads rows by the names of their columns.
func csvRows(t *testing.T, path string) (rows []map[string]string) {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	all, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = cells[i]
		}
		rows = append(rows, row)
	}
	return rows
}
