package chart

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"unicode/utf8"
)

// elements reads an SVG as XML and returns how often each element occurs; what is not well-formed fails the test.
func elements(t *testing.T, svg string) map[string]int {
	t.Helper()
	found := map[string]int{}
	for d := xml.NewDecoder(strings.NewReader(svg)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return found
		}
		if err != nil {
			t.Fatalf("%v in\n%s", err, svg)
		}
		e, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		found[e.Name.Local]++
		for _, a := range e.Attr {
			if a.Name.Local == "style" || a.Name.Local == "href" || strings.HasPrefix(a.Name.Local, "on") {
				t.Errorf("%s has the attribute %s, which a strict policy refuses", e.Name.Local, a.Name.Local)
			}
			if a.Name.Local != "xmlns" && strings.Contains(a.Value, "://") {
				t.Errorf("%s asks for %s", e.Name.Local, a.Value)
			}
			if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
				t.Errorf("%s %s is %s", e.Name.Local, a.Name.Local, a.Value)
			}
		}
	}
}

func chart() Chart {
	return Chart{
		Title: "Au: <ours> & \"theirs\"", Description: "in words",
		Panels: []Panel{{
			Title: "differences", Unit: "ppt",
			Points: []Point{{Label: "L-1", Value: 0.1}, {Label: "L-2", Value: 0.6, Outside: true}, {Label: "L-3", Value: -0.2}},
			Rules:  []Rule{{Label: "0"}, {Label: "limit", Value: 0.5, Dash: "2 3"}, {Label: "near the limit", Value: 0.501}},
			Lines:  []Line{{Label: "average", Values: []float64{0.1, 0.2, 0.1}, Dash: "8 3"}},
		}},
		Marks: []Mark{{Label: "signal at L-2", At: 1}}, Places: []string{"L-1", "L-2", "L-3"},
	}
}

func TestSVG(t *testing.T) {
	svg := chart().SVG()
	found := elements(t, svg)
	if found["circle"] != 2 || found["path"] != 2 || found["script"]+found["style"]+found["image"] != 0 {
		t.Errorf("%v", found)
	}
	if svg != chart().SVG() {
		t.Error("the same chart is drawn in two ways")
	}
	// Readable without colour: one ink, every line with its label, and a shape for what is outside.
	for _, part := range []string{"<title>Au: &lt;ours&gt; &amp; &quot;theirs&quot;</title>", "<desc>in words</desc>", ">limit</text>", ">average</text>", ">signal at L-2</text>",
		`stroke-dasharray="2 3"`, `stroke-dasharray="8 3"`, `<title>L-2</title></rect>`} {
		if !strings.Contains(svg, part) {
			t.Errorf("%s is missing in\n%s", part, svg)
		}
	}
	for _, colour := range []string{"red", "green", "blue", "#", "rgb"} {
		if strings.Contains(strings.ReplaceAll(svg, "&#39;", ""), colour) {
			t.Errorf("the chart says something by the colour %s", colour)
		}
	}
	// By hand: the panel begins at 52 and is 220 high; from -0.24 to 0.64 the value 0.6 lies at 52 + 0.04/0.88 × 220 = 62.
	if !strings.Contains(svg, `<rect x="400.0" y="62.0" width="8"`) {
		t.Errorf("the point outside does not lie at 400, 62:\n%s", svg)
	}
}

// Words at the right end do not lie on each other.
func TestLabelsStandApart(t *testing.T) {
	svg := chart().SVG()
	at := func(words string) string {
		before, _, _ := strings.Cut(svg, ">"+words+"</text>")
		before = before[strings.LastIndex(before, `y="`)+3:]
		return before[:strings.Index(before, `"`)]
	}
	if at("limit") == at("near the limit") {
		t.Errorf("two labels lie at %s", at("limit"))
	}
}

func TestOddCharts(t *testing.T) {
	for name, c := range map[string]Chart{
		"empty":            {},
		"an empty panel":   {Panels: []Panel{{}}},
		"one value":        {Panels: []Panel{{Points: []Point{{Value: 3}}}}, Places: []string{"a"}},
		"equal values":     {Panels: []Panel{{Points: []Point{{}, {}}}}, Places: []string{"a", "b"}},
		"no numbers":       {Panels: []Panel{{Points: []Point{{Value: math.NaN()}, {Value: math.Inf(1)}}, Rules: []Rule{{Value: math.Inf(-1)}}, Lines: []Line{{Values: []float64{math.NaN()}}}}}, Places: []string{"a", "b"}},
		"control signs":    {Title: "a\x00b\x1bc\u2028\ufffe\xff", Places: []string{"\x07"}},
		"marks off chart":  {Marks: []Mark{{At: -1}, {At: 9}}, Places: []string{"a"}},
		"very large":       {Panels: []Panel{{Points: []Point{{Value: 1e300}, {Value: -1e300}}}}, Places: []string{"a", "b"}},
		"more than places": {Panels: []Panel{{Points: []Point{{Value: 1}, {Value: 2}}}}},
	} {
		t.Run(name, func(t *testing.T) { elements(t, c.SVG()) })
	}
}

// A long series keeps its line and its points outside, and drops the other dots.
func TestLongSeries(t *testing.T) {
	c := Chart{Panels: []Panel{{}}}
	for i := range 500 {
		c.Panels[0].Points = append(c.Panels[0].Points, Point{Label: "x", Value: float64(i % 7), Outside: i == 400})
		c.Places = append(c.Places, "x")
	}
	if found := elements(t, c.SVG()); found["circle"] != 0 || found["path"] != 1 || found["rect"] != 3 {
		t.Errorf("%v", found)
	}
}

func FuzzSVG(f *testing.F) {
	f.Add("a", "6 3", 1.0, 2)
	f.Add("<&\"'>\x00", "\"><x", math.NaN(), -1)
	f.Fuzz(func(t *testing.T, words, dash string, value float64, at int) {
		c := Chart{Title: words, Description: words, Marks: []Mark{{words, at}}, Places: []string{words, words},
			Panels: []Panel{{words, words, []Point{{words, value, true}, {words, 1, false}}, []Line{{words, []float64{value, 1}, dash}}, []Rule{{words, value, dash}}}}}
		if svg := c.SVG(); utf8.ValidString(words) && utf8.ValidString(dash) {
			elements(t, svg)
		}
	})
}

func TestSparkline(t *testing.T) {
	for _, tt := range []struct {
		values    []float64
		columns   int
		line      string
		low, high float64
	}{
		{[]float64{0, 1, 2, 3, 4, 5, 6, 7}, 8, "▁▂▃▄▅▆▇█", 0, 7}, // by hand: eight equal steps
		{[]float64{-1, 1}, 8, "▁█", -1, 1},
		{[]float64{2, 2, 2}, 8, "▅▅▅", 2, 2},
		{[]float64{0, 2, 6, 8}, 2, "▁█", 1, 7}, // means of halves: 1 and 7
		{[]float64{math.NaN(), 1, math.Inf(1), 0}, 8, "█▁", 0, 1},
		{nil, 8, "", 0, 0},
		{[]float64{1}, 0, "", 0, 0},
	} {
		line, low, high := Sparkline(tt.values, tt.columns)
		if line != tt.line || low != tt.low || high != tt.high {
			t.Errorf("%v in %d columns: %q from %v to %v, want %q from %v to %v", tt.values, tt.columns, line, low, high, tt.line, tt.low, tt.high)
		}
	}
}
