package reckoning

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"barward/internal/assay"
	"barward/internal/refusal"
)

// Every computation refuses what it cannot read, and says why.
func TestEveryComputationRefuses(t *testing.T) {
	for name, compute := range Compute {
		for _, text := range []string{"", "null}", "[]", `{"unheard_of": 1}`, strings.Repeat("[", 10_000)} {
			answer, err := compute([]byte(text))
			if refusal.As(err) == nil {
				t.Errorf("%s of %.20q gives %v, %v", name, text, answer, err)
			}
		}
	}
}

func TestWords(t *testing.T) {
	for document, want := range map[string]string{
		`{"words": "it is so"}`: "it is so", `{"words": ["a", "b"]}`: "a b", `{"verdict": "light"}`: "light", `{"x": 1}`: "", `[`: "",
	} {
		if got := Words([]byte(document)); got != want {
			t.Errorf("%s says %q, want %q", document, got, want)
		}
	}
}

// The examples say something in words; only a balance check has none of its own.
func TestExamplesSpeak(t *testing.T) {
	for example, name := range map[string]string{"weighings": "weighings", "fine-mass": "fine_mass", "worksheet": "worksheet", "replicates": "replicates",
		"parting": "parting", "positions": "homogeneity", "parts": "blend", "round-robin": "scores", "bias": "bias"} {
		text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "examples", "measurement", example+".json"))
		if err != nil {
			t.Fatal(err)
		}
		answer, err := Compute[name](text)
		if err != nil {
			t.Errorf("%s: %v", example, err)
			continue
		}
		document, err := json.Marshal(answer)
		if err != nil || Words(document) == "" {
			t.Errorf("%s says nothing: %s, %v", example, document, err)
		}
		if name != "bias" {
			continue
		}
		in, err := assay.ReadBiasInput(text)
		if err != nil {
			t.Fatal(err)
		}
		series, err := in.Series()
		if err != nil {
			t.Fatal(err)
		}
		svg := BiasChart(series, answer.(assay.BiasReport))
		for _, part := range []string{"signal at L-10", ">moving average</text>", ">upward</text>", "Always inside the limit", "L-24"} {
			if !strings.Contains(svg, part) {
				t.Errorf("the chart does not show %q", part)
			}
		}
	}
}
