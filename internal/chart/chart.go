// Package chart draws a control chart and a waterfall as SVG, and a series as one line of text.
//
// A chart is made of numbers that are given; nothing is computed here but where they stand. It is readable without
// colour, on paper and by a screen reader: every line has its own dash pattern and its label beside it, points inside and
// outside their limit have different shapes, and title and description say the same in words. The SVG asks for nothing
// from outside, and holds no script and no style, so that the strictest content security policy shows it.
//
// Invariants:
//  1. Equal charts give equal bytes.
//  2. Whatever a name holds, the SVG is well-formed XML.
//  3. No number that is not finite is drawn; it leaves a gap.
package chart

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// Point is one value of a series.
type Point struct {
	Label   string // lot or bar
	Value   float64
	Outside bool // beyond its own limit: drawn as a square, not as a dot
}

// Rule is a horizontal line across a panel.
type Rule struct {
	Label string
	Value float64
	Dash  string // SVG dash pattern, such as "6 3"; empty for an unbroken line
}

// Line is a curve through every place of a series.
type Line struct {
	Label  string
	Values []float64 // one a point; shorter lines end early
	Dash   string
}

// Panel is one chart of a stack; all share the series' places.
type Panel struct {
	Title  string
	Unit   string
	Points []Point
	Lines  []Line
	Rules  []Rule
}

// Mark is a vertical line through all panels at a place of the series.
type Mark struct {
	Label string
	At    int
}

// Chart is a stack of panels.
type Chart struct {
	Title       string
	Description string // in words, for who cannot see it
	Panels      []Panel
	Marks       []Mark
	Places      []string // labels of the places, such as lots; the first and the last are written
}

// Sizes of the drawing, in pixels of the view box.
const (
	width       = 900
	left        = 70
	right       = 170
	head        = 52
	panelHeight = 220
	panelGap    = 50
	foot        = 40
	mostDots    = 150 // beyond as many points a panel shows the line and the points outside only
)

// SVG draws the chart.
func (c Chart) SVG() string {
	var b strings.Builder
	height := head + len(c.Panels)*(panelHeight+panelGap) - panelGap + foot
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" role="img" font-family="sans-serif" font-size="12">`+"\n", width, height, width, height)
	fmt.Fprintf(&b, "<title>%s</title>\n<desc>%s</desc>\n", escape(c.Title), escape(c.Description))
	fmt.Fprintf(&b, `<rect x="0" y="0" width="%d" height="%d" fill="white"/>`+"\n", width, height)
	fmt.Fprintf(&b, `<text x="%d" y="22" font-size="15">%s</text>`+"\n", left, escape(c.Title))
	n := len(c.Places)
	for i, p := range c.Panels {
		p.draw(&b, head+i*(panelHeight+panelGap), n)
	}
	for _, m := range c.Marks {
		if m.At < 0 || m.At >= n {
			continue
		}
		x := across(m.At, n)
		fmt.Fprintf(&b, `<line x1="%s" y1="%d" x2="%s" y2="%d" stroke="black" stroke-width="1" stroke-dasharray="1 3"/>`+"\n", x, head, x, height-foot)
		anchor := "start"
		if m.At > n/2 {
			anchor = "end"
		}
		fmt.Fprintf(&b, `<text x="%s" y="%d" text-anchor="%s">%s</text>`+"\n", x, height-foot+14, anchor, escape(m.Label))
	}
	if n > 0 {
		fmt.Fprintf(&b, `<text x="%d" y="%d">%s</text>`+"\n", left, height-8, escape(c.Places[0]))
		fmt.Fprintf(&b, `<text x="%d" y="%d" text-anchor="end">%s</text>`+"\n", width-right, height-8, escape(c.Places[n-1]))
	}
	b.WriteString("</svg>\n")
	return b.String()
}

// scale turns values of a panel into heights.
type scale struct{ top, low, high float64 }

// span finds the values that a panel must show.
func (p Panel) span() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	add := func(v float64) {
		if finite(v) {
			low, high = math.Min(low, v), math.Max(high, v)
		}
	}
	for _, x := range p.Points {
		add(x.Value)
	}
	for _, l := range p.Lines {
		for _, v := range l.Values {
			add(v)
		}
	}
	for _, r := range p.Rules {
		add(r.Value)
	}
	if low > high {
		return -1, 1
	}
	margin := (high - low) * 0.05
	if margin == 0 {
		margin = math.Max(math.Abs(high)*0.05, 1e-9)
	}
	return low - margin, high + margin
}

func (s scale) y(v float64) string {
	return number(s.top + (s.high-v)/(s.high-s.low)*panelHeight)
}

func (p Panel) draw(b *strings.Builder, top, n int) {
	low, high := p.span()
	s := scale{float64(top), low, high}
	fmt.Fprintf(b, `<rect x="%d" y="%d" width="%d" height="%d" fill="none" stroke="black" stroke-width="0.5"/>`+"\n", left, top, width-left-right, panelHeight)
	fmt.Fprintf(b, `<text x="%d" y="%d">%s</text>`+"\n", left, top-5, escape(p.Title))
	for _, edge := range []struct{ at, value float64 }{{float64(top) + 10, high}, {float64(top) + panelHeight, low}} {
		fmt.Fprintf(b, `<text x="%d" y="%s" text-anchor="end">%s</text>`+"\n", left-6, number(edge.at), escape(tick(edge.value, high-low)))
	}
	fmt.Fprintf(b, `<text x="%d" y="%d" text-anchor="end">%s</text>`+"\n", left-6, top+panelHeight/2, escape(p.Unit))
	ends := newLabels(top)
	for _, r := range p.Rules {
		if !finite(r.Value) {
			continue
		}
		y := s.y(r.Value)
		fmt.Fprintf(b, `<line x1="%d" y1="%s" x2="%d" y2="%s" stroke="black" stroke-width="1"%s/>`+"\n", left, y, width-right, y, dash(r.Dash))
		ends.put(b, s, r.Value, r.Label)
	}
	for _, l := range p.Lines {
		path(b, l.Values, n, s, l.Dash)
		if k := len(l.Values); k > 0 && finite(l.Values[k-1]) {
			ends.put(b, s, l.Values[k-1], l.Label)
		}
	}
	if len(p.Points) == 0 {
		return
	}
	values := make([]float64, len(p.Points))
	for i, x := range p.Points {
		values[i] = x.Value
	}
	path(b, values, n, s, "")
	for i, x := range p.Points {
		if !finite(x.Value) || !x.Outside && len(p.Points) > mostDots {
			continue
		}
		cx, cy := across(i, n), s.y(x.Value)
		if x.Outside {
			fmt.Fprintf(b, `<rect x="%s" y="%s" width="8" height="8" fill="white" stroke="black" stroke-width="1.5" transform="translate(-4 -4)"><title>%s</title></rect>`+"\n", cx, cy, escape(x.Label))
			continue
		}
		fmt.Fprintf(b, `<circle cx="%s" cy="%s" r="2.5" fill="black"><title>%s</title></circle>`+"\n", cx, cy, escape(x.Label))
	}
}

// labels keeps the words at the right end of a panel from lying on each other.
type labels struct {
	top   int
	taken []float64
}

func newLabels(top int) *labels { return &labels{top: top} }

func (l *labels) put(b *strings.Builder, s scale, value float64, words string) {
	y := s.top + (s.high-value)/(s.high-s.low)*panelHeight + 4
	for moved := true; moved; {
		moved = false
		for _, t := range l.taken {
			if math.Abs(t-y) < 12 {
				y, moved = t+13, true
			}
		}
	}
	l.taken = append(l.taken, y)
	fmt.Fprintf(b, `<text x="%d" y="%s">%s</text>`+"\n", width-right+6, number(y), escape(words))
}

// path draws a curve, broken where a value is not finite.
func path(b *strings.Builder, values []float64, n int, s scale, pattern string) {
	var d strings.Builder
	pen := "M"
	for i, v := range values {
		if !finite(v) {
			pen = "M"
			continue
		}
		d.WriteString(pen + across(i, n) + " " + s.y(v))
		pen = "L"
	}
	if d.Len() > 0 {
		fmt.Fprintf(b, `<path d="%s" fill="none" stroke="black" stroke-width="1"%s/>`+"\n", d.String(), dash(pattern))
	}
}

func dash(pattern string) string {
	if pattern == "" {
		return ""
	}
	return ` stroke-dasharray="` + escape(pattern) + `"`
}

// across is the place of a point in the panel's breadth.
func across(i, n int) string {
	return number(left + (float64(i)+0.5)/float64(max(n, 1))*(width-left-right))
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

// tick writes a value with as many places as the breadth of its panel needs.
func tick(v, breadth float64) string {
	places := 0
	if breadth > 0 {
		places = max(0, min(9, 2-int(math.Floor(math.Log10(breadth)))))
	}
	return strconv.FormatFloat(v, 'f', places, 64)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// escape makes text safe inside an element or an attribute, and leaves out what XML cannot hold.
func escape(s string) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '&':
			b.WriteString("&amp;")
		case r == '<':
			b.WriteString("&lt;")
		case r == '>':
			b.WriteString("&gt;")
		case r == '"':
			b.WriteString("&quot;")
		case r == '\'':
			b.WriteString("&#39;")
		case r == unicode.ReplacementChar || r < ' ' || r == 0x7f || r >= 0xFFFE && r <= 0xFFFF:
			b.WriteByte(' ')
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// blocks are the heights of a sparkline.
var blocks = []rune("▁▂▃▄▅▆▇█")

// Sparkline draws a series as one line of at most columns characters, the oldest left. Where there are more values than
// columns each column is the mean of its share. The foot of the line is low and its top is high, which are returned, so
// that whoever prints it can write both beside. Equal values lie in the middle.
func Sparkline(values []float64, columns int) (line string, low, high float64) {
	if columns < 1 {
		return "", 0, 0
	}
	var shown []float64
	for _, v := range values {
		if finite(v) {
			shown = append(shown, v)
		}
	}
	if len(shown) == 0 {
		return "", 0, 0
	}
	if len(shown) > columns {
		means := make([]float64, columns)
		for c := range means {
			from, to := c*len(shown)/columns, (c+1)*len(shown)/columns
			for _, v := range shown[from:to] {
				means[c] += v / float64(to-from)
			}
		}
		shown = means
	}
	low, high = shown[0], shown[0]
	for _, v := range shown {
		low, high = math.Min(low, v), math.Max(high, v)
	}
	var b strings.Builder
	for _, v := range shown {
		step := len(blocks) / 2
		if high > low {
			step = min(len(blocks)-1, int((v-low)/(high-low)*float64(len(blocks))))
		}
		b.WriteRune(blocks[step])
	}
	return b.String(), low, high
}
