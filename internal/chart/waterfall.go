package chart

import (
	"fmt"
	"math"
	"strings"
	"unicode/utf8"
)

// Step is one bar of a waterfall.
type Step struct {
	Label string  // what moved the sum, in words
	Text  string  // the exact figure as the record has it, such as `-866.89 USD`; it is written, never worked out
	Value float64 // the same figure, only to know where the bar ends
}

// Waterfall shows how one sum becomes another: the first sum, a bar for each part of the difference, the second sum.
// It reads from the top down, so that labels have room.
//
// Nothing depends on colour: a part that adds is hatched one way, points right and says "more"; one that takes is
// hatched the other way, points left and says "less"; one that changes nothing is a line and says so; a part whose
// value is not finite is not drawn and says so. Sums are far larger than their difference, so the scale shows the
// breadth in which the sums move, and says that it does not begin at zero where it does not.
type Waterfall struct {
	Title       string
	Description string // in words, for who cannot see it
	First, Last Step   // the sums
	Parts       []Step // of Last less First, in order
}

// Sizes of a waterfall, in pixels of the view box.
const (
	fallLabel  = 230 // breadth of the labels
	fallFigure = 190 // breadth of the figures
	fallRow    = 40
	fallBar    = 22
	fallLine   = 15  // from one line of a label to the next
	labelLines = 3   // of a label; what is longer ends in … and is whole in the bar's title
	lineLength = 30  // characters of a line of a label
	mostSteps  = 500 // parts drawn one by one
)

const fallHead = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" role="img" ` +
	`font-family="sans-serif" font-size="13">` + "\n"

// hatches tell bars apart without colour: more, less and sums.
const hatches = `<defs>
<pattern id="more" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">` +
	`<rect width="7" height="7" fill="white"/><line x1="0" y1="0" x2="0" y2="7" stroke="black" stroke-width="2"/></pattern>
<pattern id="less" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)">` +
	`<rect width="7" height="7" fill="white"/>` +
	`<line x1="0" y1="0" x2="0" y2="7" stroke="black" stroke-width="4.5"/></pattern>
<pattern id="sum" width="6" height="6" patternUnits="userSpaceOnUse">` +
	`<rect width="6" height="6" fill="white"/><circle cx="3" cy="3" r="1" fill="black"/></pattern>
</defs>
`

// SVG draws the waterfall. Equal waterfalls give equal bytes.
func (w Waterfall) SVG() string {
	parts := w.Parts
	if len(parts) > mostSteps {
		rest := Step{Label: fmt.Sprintf("%d more parts, not drawn one by one", len(parts)-mostSteps), Text: "see the table"}
		for _, p := range parts[mostSteps:] {
			rest.Value += p.Value
		}
		parts = append(parts[:mostSteps:mostSteps], rest)
	}
	f := w.scale(parts)
	var body strings.Builder
	f.y = 62
	f.sum(&body, w.First, w.First.Value)
	level := w.First.Value
	for _, p := range parts {
		f.part(&body, p, level)
		if finite(p.Value) {
			level += p.Value
		}
	}
	f.sum(&body, w.Last, level)
	height := f.y + 44

	var b strings.Builder
	fmt.Fprintf(&b, fallHead, width, height, width, height)
	fmt.Fprintf(&b, "<title>%s</title>\n<desc>%s</desc>\n", escape(w.Title), escape(w.Description))
	b.WriteString(hatches)
	fmt.Fprintf(&b, `<rect x="0" y="0" width="%d" height="%d" fill="white"/>`+"\n", width, height)
	for i, line := range lines(w.Title, 90, 2) {
		fmt.Fprintf(&b, `<text x="16" y="%d" font-size="16">%s</text>`+"\n", 26+i*20, escape(line))
	}
	if f.low < 0 && f.zero {
		x := number(f.x(0))
		fmt.Fprintf(&b, `<line x1="%s" y1="66" x2="%s" y2="%d" stroke="black" stroke-width="0.7"/>`+"\n", x, x, f.y)
		fmt.Fprintf(&b, `<text x="%s" y="%d" text-anchor="middle">0</text>`+"\n", x, f.y+14)
	}
	b.WriteString(body.String())
	foot := "The scale begins at zero."
	switch {
	case !f.zero && f.low > 0:
		foot = "The scale does not begin at zero: the sums are broken off at the left."
	case !f.zero:
		foot = "The scale does not reach zero: the sums are broken off at the right."
	case f.low < 0:
		foot = "The scale holds zero: a sum below zero goes from there to the left."
	}
	fmt.Fprintf(&b, `<text x="16" y="%d">%s</text>`+"\n", height-14, foot)
	b.WriteString("</svg>\n")
	return b.String()
}

// fall is a waterfall half drawn: the breadth of values that it shows, and how far down it has come.
type fall struct {
	low, high float64
	zero      bool // the scale holds zero
	y         int  // of the next row
	foot      int  // of the last bar drawn; 0 before the first
}

// scale covers every level that the sum passes, with a margin, and zero where that is not far off.
func (w Waterfall) scale(parts []Step) *fall {
	low, high := math.Inf(1), math.Inf(-1)
	add := func(v float64) {
		if finite(v) {
			low, high = math.Min(low, v), math.Max(high, v)
		}
	}
	level := w.First.Value
	add(level)
	for _, p := range parts {
		if finite(p.Value) {
			level += p.Value
			add(level)
		}
	}
	add(w.Last.Value)
	if low > high {
		low, high = 0, 1
	}
	breadth := high - low
	if breadth == 0 || !finite(breadth) {
		breadth = math.Max(math.Abs(high)*0.01, 1)
	}
	f := &fall{low: low - breadth*0.25, high: high + breadth*0.1}
	if f.low <= 0 && low >= 0 {
		f.low = 0
	}
	f.zero = f.low <= 0 && f.high >= 0
	return f
}

// x is where a value stands. Values so far apart that their breadth is not finite stand on the edge.
func (f *fall) x(v float64) float64 {
	at := fallLabel + (v-f.low)/(f.high-f.low)*float64(width-fallLabel-fallFigure)
	if !finite(at) {
		return fallLabel
	}
	return at
}

// words writes a label and a figure beside their bar, and returns the height of the row.
func words(b *strings.Builder, s Step, figure string, y int) (height int) {
	label := lines(s.Label, lineLength, labelLines)
	height = max(fallRow, len(label)*fallLine+12)
	from := y + height/2 + 5 - (len(label)-1)*fallLine/2
	for i, line := range label {
		fmt.Fprintf(b, `<text x="16" y="%d">%s</text>`+"\n", from+i*fallLine, escape(line))
	}
	figures := lines(figure, 24, 2)
	from = y + height/2 + 5 - (len(figures)-1)*fallLine/2
	for i, line := range figures {
		fmt.Fprintf(b, `<text x="%d" y="%d" text-anchor="end">%s</text>`+"\n", width-16, from+i*fallLine, escape(line))
	}
	return height
}

// row is where the bar of a step of this height stands, tied by a thread to the bar above it where the sum stands
// between them. The next row begins below it.
func (f *fall) row(b *strings.Builder, height int, level float64) (top int) {
	top = f.y + (height-fallBar)/2
	if f.foot > 0 && finite(level) {
		x := number(f.x(level))
		fmt.Fprintf(b, `<line x1="%s" y1="%d" x2="%s" y2="%d" stroke="black" stroke-width="1" stroke-dasharray="2 3"/>`+"\n",
			x, f.foot, x, top)
	}
	f.y, f.foot = f.y+height, top+fallBar
	return top
}

// sum draws one of the two sums, from zero or from the broken edge. Level is where the bars before it end.
func (f *fall) sum(b *strings.Builder, s Step, level float64) {
	if !finite(s.Value) {
		f.y += words(b, s, s.Text+" (not drawn)", f.y)
		return
	}
	top := f.row(b, words(b, s, s.Text, f.y), level)
	from := 0.0
	switch {
	case !f.zero && f.low > 0:
		from = f.low
	case !f.zero:
		from = f.high
	}
	left, right := math.Min(f.x(from), f.x(s.Value)), math.Max(f.x(from), f.x(s.Value))
	fmt.Fprintf(b, `<rect x="%s" y="%d" width="%s" height="%d" fill="url(#sum)" stroke="black" stroke-width="1.5">`+
		"<title>%s: %s</title></rect>\n", number(left), top, number(math.Max(right-left, 1)), fallBar, escape(s.Label),
		escape(s.Text))
	if !f.zero {
		edge := left + 8
		if f.low < 0 {
			edge = right - 8
		}
		fmt.Fprintf(b, `<path d="M%s %d l-4 6 l8 7 l-8 7 l4 6" fill="none" stroke="white" stroke-width="5"/>`+"\n",
			number(edge), top-2)
	}
}

// part draws one part, from the level before to the level after.
func (f *fall) part(b *strings.Builder, s Step, level float64) {
	said := s.Text
	switch {
	case !finite(s.Value):
		f.y += words(b, s, said+" (not drawn)", f.y)
		return
	case s.Value > 0:
		said += " (more)"
	case s.Value < 0:
		said += " (less)"
	default:
		said += " (no change)"
	}
	top := f.row(b, words(b, s, said, f.y), level)
	x0, x1 := f.x(level), f.x(level+s.Value)
	title := "<title>" + escape(s.Label) + ": " + escape(said) + "</title>"
	if s.Value == 0 {
		fmt.Fprintf(b, `<line x1="%s" y1="%d" x2="%s" y2="%d" stroke="black" stroke-width="3">%s</line>`+"\n", number(x0),
			top,
			number(x0), top+fallBar, title)
		return
	}
	hatch, point := "more", math.Min(8, math.Abs(x1-x0))
	if s.Value < 0 {
		hatch, point = "less", -point
	}
	middle, foot := number(float64(top)+fallBar/2), top+fallBar
	fmt.Fprintf(b, `<path d="M%s %d L%s %d L%s %s L%s %d L%s %d Z" fill="url(#%s)" stroke="black" stroke-width="1.5">`+
		"%s</path>\n",
		number(x0), top, number(x1-point), top, number(x1), middle, number(x1-point), foot, number(x0), foot, hatch, title)
}

// lines breaks a text into at most so many lines of so many characters, between words where it can.
func lines(text string, length, most int) (out []string) {
	line := ""
	flush := func() {
		if line != "" {
			out, line = append(out, line), ""
		}
	}
	for _, word := range strings.Fields(text) {
		for utf8.RuneCountInString(word) > length {
			flush()
			runes := []rune(word)
			out, word = append(out, string(runes[:length])), string(runes[length:])
		}
		if line != "" && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > length {
			flush()
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	flush()
	if len(out) > most {
		last := []rune(out[most-1])
		out = append(out[:most-1], string(last[:min(len(last), length-1)])+"…")
	}
	return out
}
