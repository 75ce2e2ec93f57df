package chart

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

func waterfall() Waterfall {
	return Waterfall{
		Title:       "Return against statement: quillhaven/R-1 <invented>",
		Description: "The return is 1204.04 USD below the statement.",
		First:       Step{"statement quillhaven/S-1", "226324.11 USD", 226324.11},
		Last:        Step{"return quillhaven/R-1", "225120.07 USD", 225120.07},
		Parts: []Step{{"weight, Au", "-866.89 USD", -866.89}, {"payable terms, Ag", "0.00 USD", 0}, {"price, Au",
			"100.00 USD", 100},
			{"charges", "-437.20 USD", -437.20}, {"rounding", "0.05 USD", 0.05}},
	}
}

func TestWaterfall(t *testing.T) {
	svg := waterfall().SVG()
	found := elements(t, svg) // well-formed, no style, no script, nothing from outside
	if found["script"]+found["style"]+found["image"]+found["use"]+found["a"] != 0 {
		t.Errorf("it has %v", found)
	}
	if found["desc"] != 1 || !strings.HasPrefix(svg, "<svg ") || !strings.Contains(svg, `role="img"`) {
		t.Error("it has no description for who cannot see it")
	}
	for _, want := range []string{"<title>Return against statement: quillhaven/R-1 &lt;invented&gt;</title>",
		"<desc>The return is 1204.04 USD below the statement.</desc>", "-866.89 USD (less)", "100.00 USD (more)",
		"0.00 USD (no change)",
		"226324.11 USD", "225120.07 USD", "does not begin at zero", "payable terms, Ag"} {
		if !strings.Contains(svg, want) {
			t.Errorf("it does not say %q", want)
		}
	}
	if more, less := strings.Count(svg, `fill="url(#more)"`), strings.Count(svg, `fill="url(#less)"`); more != 2 ||
		less != 2 {
		t.Errorf("%d bars add and %d take; by hand 2 and 2", more, less)
	}
	// Without colour: black and white are all that it uses.
	for _, colour := range regexp.MustCompile(`(?:fill|stroke)="([^"]*)"`).FindAllStringSubmatch(svg, -1) {
		switch colour[1] {
		case "black", "white", "none", "url(#more)", "url(#less)", "url(#sum)":
		default:
			t.Errorf("it uses the colour %s", colour[1])
		}
	}
	if svg != waterfall().SVG() {
		t.Error("equal waterfalls gave other bytes")
	}
}

// bars are the left and right ends of what is drawn, by the title that each bears.
func bars(t *testing.T, svg string) map[string][2]float64 {
	t.Helper()
	type shape struct {
		D     string  `xml:"d,attr"`
		X     float64 `xml:"x,attr"`
		W     float64 `xml:"width,attr"`
		X1    float64 `xml:"x1,attr"`
		X2    float64 `xml:"x2,attr"`
		Title string  `xml:"title"`
	}
	found := map[string][2]float64{}
	for d := xml.NewDecoder(strings.NewReader(svg)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return found
		}
		if err != nil {
			t.Fatal(err)
		}
		start, ok := token.(xml.StartElement)
		if !ok || start.Name.Local != "path" && start.Name.Local != "rect" && start.Name.Local != "line" {
			continue
		}
		var s shape
		if err := d.DecodeElement(&s, &start); err != nil {
			t.Fatal(err)
		}
		if s.Title == "" {
			continue
		}
		ends := [2]float64{s.X, s.X + s.W}
		switch start.Name.Local {
		case "line":
			ends = [2]float64{s.X1, s.X2}
		case "path": // from its first point to its tip
			points := regexp.MustCompile(`[ML](-?[\d.]+)`).FindAllStringSubmatch(s.D, -1)
			from, err1 := strconv.ParseFloat(points[0][1], 64)
			to, err2 := strconv.ParseFloat(points[2][1], 64)
			if err1 != nil || err2 != nil {
				t.Fatalf("%q: %v %v", s.D, err1, err2)
			}
			ends = [2]float64{from, to}
		}
		if _, twice := found[s.Title]; twice && s.Title != ": " {
			t.Errorf("%q is drawn twice", s.Title)
		}
		found[s.Title] = ends
	}
}

// Each part begins where the one before it ended, and the last ends at the second sum.
func TestWaterfallStepsJoin(t *testing.T) {
	found := bars(t, waterfall().SVG())
	near := func(a, b float64) bool { return math.Abs(a-b) <= 0.21 } // coordinates have one decimal
	at := found["statement quillhaven/S-1: 226324.11 USD"][1]
	for _, title := range []string{"weight, Au: -866.89 USD (less)", "payable terms, Ag: 0.00 USD (no change)",
		"price, Au: 100.00 USD (more)", "charges: -437.20 USD (less)", "rounding: 0.05 USD (more)"} {
		ends, ok := found[title]
		if !ok {
			t.Fatalf("%q is not drawn: %v", title, found)
		}
		if !near(ends[0], at) {
			t.Errorf("%q begins at %g, and the one before ended at %g", title, ends[0], at)
		}
		if strings.HasSuffix(title, "(less)") != (ends[1] < ends[0]) {
			t.Errorf("%q goes from %g to %g", title, ends[0], ends[1])
		}
		at = ends[1]
	}
	if last := found["return quillhaven/R-1: 225120.07 USD"][1]; !near(last, at) {
		t.Errorf("the second sum ends at %g, the parts at %g", last, at)
	}
	// By hand: the sums lie 1204.04 apart, the charge is 437.20 of it.
	first, last := found["statement quillhaven/S-1: 226324.11 USD"][1], found["return quillhaven/R-1: 225120.07 USD"][1]
	charges := found["charges: -437.20 USD (less)"]
	if got, want := (charges[0]-charges[1])/(first-last), 437.20/1204.04; math.Abs(got-want) > 0.002 {
		t.Errorf("the charges take %.4f of the breadth, want %.4f", got, want)
	}
}

// A part that cannot be drawn leaves a gap, and the next begins where the sum stood before it.
func TestWaterfallGap(t *testing.T) {
	found := bars(t, Waterfall{First: Step{"a", "10", 10}, Last: Step{"b", "8", 8},
		Parts: []Step{{"lost", "?", math.NaN()}, {"p", "-2", -2}}}.SVG())
	if p, first, last := found["p: -2 (less)"], found["a: 10"], found["b: 8"]; p[0] != first[1] || p[1] != last[1] ||
		p[0] == 0 {
		t.Errorf("the part goes from %g to %g, the sums end at %g and %g", p[0], p[1], first[1], last[1])
	}
}

func TestWaterfallExtremes(t *testing.T) {
	long := strings.Repeat("a very long cause of a difference ", 20)
	many := waterfall()
	many.Parts = nil
	for i := range 2000 {
		many.Parts = append(many.Parts, Step{fmt.Sprintf("part %d", i), "-0.60 USD", -0.602})
	}
	for name, w := range map[string]Waterfall{
		"nothing":       {},
		"no difference": {First: Step{"a", "5", 5}, Last: Step{"b", "5", 5}},
		"zeros":         {First: Step{"a", "0", 0}, Parts: []Step{{"p", "0", 0}}, Last: Step{"b", "0", 0}},
		"through zero":  {First: Step{"a", "5", 5}, Parts: []Step{{"p", "-12", -12}}, Last: Step{"b", "-7", -7}},
		"both negative": {First: Step{"a", "-5000", -5000}, Parts: []Step{{"p", "-12", -12}}, Last: Step{"b", "-5012",
			-5012}},
		"not finite": {First: Step{"a", "?", math.NaN()}, Parts: []Step{{"p", "?", math.Inf(1)}}, Last: Step{"b", "1",
			1}},
		"huge": {First: Step{"a", "x", math.MaxFloat64}, Parts: []Step{{"p", "y", -math.MaxFloat64}},
			Last: Step{"b", "z", -math.MaxFloat64}},
		"tiny": {First: Step{"a", "x", 1e-300}, Last: Step{"b", "z", 2e-300}},
		"long labels": {Title: long, First: Step{long, long, 1}, Parts: []Step{{long, long, 1}, {strings.Repeat("x",
			300), "1", -1}}, Last: Step{long, "1", 1}},
		"many parts":      many,
		"not well formed": {Title: "\x00\xff<&\"", First: Step{"\x01", "]]>", 1}, Last: Step{"\ufffe", "'", 2}},
	} {
		svg := w.SVG()
		elements(t, svg)
		size := regexp.MustCompile(`viewBox="0 0 (\d+) (\d+)"`).FindStringSubmatch(svg)
		wide, _ := strconv.ParseFloat(size[1], 64)
		high, _ := strconv.ParseFloat(size[2], 64)
		for _, m := range regexp.MustCompile(` (x|y|x1|x2|y1|y2)="([^"]*)"`).FindAllStringSubmatch(svg, -1) {
			v, err := strconv.ParseFloat(m[2], 64)
			most := wide
			if m[1][0] == 'y' {
				most = high
			}
			if err != nil || v < 0 || v > most {
				t.Errorf("%s: %s lies outside the drawing of %g by %g", name, m[0], wide, high)
			}
		}
		for title, ends := range bars(t, svg) {
			if ends[0] < 0 || ends[1] < 0 || ends[0] > wide || ends[1] > wide {
				t.Errorf("%s: %q goes from %g to %g", name, title, ends[0], ends[1])
			}
		}
		// No two texts of a column lie on each other: their lines are at least 13 px apart, and labels end before the bars.
		lastY := map[string]float64{}
		for _, m := range regexp.MustCompile(`<text x="(\d+)" y="(\d+)"[^>]*>([^<]*)<`).FindAllStringSubmatch(svg, -1) {
			y, _ := strconv.ParseFloat(m[2], 64)
			if before, ok := lastY[m[1]]; ok && y-before < 13 {
				t.Errorf("%s: %q lies on the line above it", name, m[3])
			}
			lastY[m[1]] = y
		}
	}
	if svg := many.SVG(); !strings.Contains(svg, "1500 more parts, not drawn one by one") || !strings.Contains(svg,
		"part 499") ||
		strings.Contains(svg, "part 500:") {
		t.Error("2000 parts are not bounded at 500, or it does not say so")
	}
	if svg := (Waterfall{First: Step{"a", "?", math.NaN()}, Last: Step{"b", "1", 1}}).SVG(); !strings.Contains(svg,
		"? (not drawn)") {
		t.Error("a sum that cannot be drawn does not say so")
	}
	if svg := (Waterfall{First: Step{"a", "5 USD", 5}, Parts: []Step{{"p", "-12 USD", -12}}, Last: Step{"b", "-7 USD",
		-7}}).SVG(); !strings.Contains(svg, "The scale holds zero") {
		t.Error("a scale that holds zero does not say so")
	}
}
