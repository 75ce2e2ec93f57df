package reckoning

import (
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
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

// Whatever the file holds, a computation answers or refuses; what it answers can be written as JSON.
func FuzzCompute(f *testing.F) {
	names := slices.Sorted(maps.Keys(Compute))
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "examples", "*", "*.json"))
	if err != nil || len(files) < 10 {
		f.Fatal(files, err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		for i := range names {
			f.Add(uint8(i), text)
		}
	}
	f.Fuzz(func(t *testing.T, which uint8, text []byte) {
		if len(text) > 20_000 {
			return
		}
		name := names[int(which)%len(names)]
		answer, err := Compute[name](text)
		if err != nil {
			if refusal.As(err) == nil {
				t.Errorf("%s fails with %v and does not refuse", name, err)
			}
			return
		}
		if _, err := json.Marshal(answer); err != nil {
			t.Errorf("%s cannot write its answer: %v", name, err)
		}
	})
}
