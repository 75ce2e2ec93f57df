package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"barward/internal/quantity"
)

// The examples of README: figures alone, no service, JSON in and out. Every figure expected is by hand from the terms and
// figures in the file.
func TestExamplesOfREADME(t *testing.T) {
	alone := func(args ...string) ran {
		var out, complain bytes.Buffer
		code := run(t.Context(), append([]string{"--home", filepath.Join(t.TempDir(), "none"), "--server", "127.0.0.1:1"}, args...), strings.NewReader(""), &out, &complain)
		return ran{code, out.String(), complain.String()}
	}
	example := func(name string) string { return filepath.Join("..", "testdata", "examples", name+".json") }

	// 37549 g × 812.44 / 1000 / 31.1034768 = 980.8006… → 980.801 oz; × 99.90 % = 979.820199 → 979.820, cut; × 2900.00.
	// 37549 × 148.25 → 178.972 oz; × 98 % = 175.39256 → 175.392; × 33.0000 = 5787.936. 37560.7 g = 1207.605 oz × 0.55.
	// Net: 2841478.00 + 5787.94 - 664.18 - 391.93 - 450.00 - 1200.00 (half of the freight).
	alone("statement", "preview", "--file", example("statement-preview")).want(t, exitDone, "980.801 oz", "979.820 oz", "175.392 oz",
		"2841478.00 USD", "5787.94 USD", "-664.18 USD", "-1200.00 USD", "2844559.83 USD (due to the seller)")
	stated := alone("statement", "preview", "--file", example("statement-preview"), "-o", "json").want(t, exitDone)
	alone("statement", "explain", "payable_total/Au", "--file", write(t, "s.json", stated.out)).want(t, exitDone, "melt sheet 7", "exchange sheet 3")

	// 813.90 and 813.62 differ by 0.28, within 0.50: mean 813.76. 148.20 and 145.70 differ by 2.50, beyond 2.00; the umpire's
	// 147.05 lies between, 1.15 from the seller and 1.35 from the refiner, who pays.
	alone("exchange", "preview", "--file", example("exchange-preview")).want(t, exitDone, "813.76 ppt", "147.05 ppt is settled", "The refiner bears the umpire's fee")

	// Posterior of the truth: weights 1/1.1² and 1/0.9² of 147.90 and 146.10 (each result less its bias) give 146.8217821…
	advice := alone("exchange", "umpire-advise", "--file", example("umpire-advise"), "-o", "json").want(t, exitDone)
	var a struct {
		True  float64  `json:"true_fineness"`
		Words []string `json:"words"`
	}
	if err := json.Unmarshal([]byte(advice.out), &a); err != nil || len(a.Words) == 0 {
		t.Fatalf("%v in %s", err, advice.out)
	}
	if by := (147.90/1.21 + 146.10/0.81) / (1/1.21 + 1/0.81); a.True < by-1e-9 || a.True > by+1e-9 {
		t.Errorf("expected truth %v, by hand %v", a.True, by)
	}
	shown := alone("exchange", "umpire-advise", "--file", example("umpire-advise")).want(t, exitDone)
	if !strings.HasPrefix(shown.out, a.Words[0]) {
		t.Errorf("the words do not come first:\n%s", shown.out)
	}
	alone("exchange", "umpire-advise", "--element", "Ag", "--file", example("umpire-advise")).want(t, exitRefused, "LOT_MISSING")
	alone("exchange", "umpire-advise", "--lot", "sedgemoor/L-2", "--file", example("umpire-advise")).want(t, exitRefused, "ELEMENT_MISSING")

	// Their return pays 99.80 %: 978.839 oz, 2844.90 less in value, 0.39 less in refining charge.
	compared := alone("return", "compare", "--file", example("return-compare"), "-o", "json").want(t, exitDone)
	var r struct {
		Agrees bool `json:"agrees"`
		Money  struct {
			Difference quantity.Decimal `json:"difference"`
			Parts      []struct {
				Part   string           `json:"part"`
				Amount quantity.Decimal `json:"amount"`
			} `json:"parts"`
		} `json:"money"`
	}
	if err := json.Unmarshal([]byte(compared.out), &r); err != nil {
		t.Fatal(err)
	}
	var sum quantity.Decimal
	for _, p := range r.Money.Parts {
		sum = sum.Add(p.Amount)
		if p.Part == "payable_terms" && p.Amount.Cmp(quantity.MustDecimal("-2844")) > 0 {
			t.Errorf("payable terms explain %s only", p.Amount)
		}
	}
	if want := quantity.MustDecimal("-2844.51"); r.Agrees || !r.Money.Difference.Equal(want) || !sum.Equal(want) {
		t.Errorf("agrees %v, difference %s, parts sum to %s; want %s", r.Agrees, r.Money.Difference, sum, want)
	}

	files, err := filepath.Glob(filepath.Join("..", "testdata", "examples", "*.json"))
	if err != nil || len(files) < 4 {
		t.Fatalf("%v: %d examples", err, len(files))
	}
	readme, err := os.ReadFile(filepath.Join("..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !strings.Contains(string(readme), "testdata/examples/"+filepath.Base(f)) {
			t.Errorf("README does not name the example %s", filepath.Base(f))
		}
	}
}
