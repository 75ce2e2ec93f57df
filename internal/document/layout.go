package document

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"slices"

	"codeberg.org/go-pdf/fpdf"
)

// The page, in millimetres.
const (
	margin     = 15.0
	footHeight = 17.0
	gap        = 2.5 // between blocks
	labelWide  = 42.0
)

// The styles of a paper. Body text is large enough to be read at a bench by poor light.
var (
	titleStyle   = style{bold, 16}
	subjectStyle = style{mono, 12}
	headingStyle = style{bold, 11}
	bodyStyle    = style{regular, 9.5}
	strongStyle  = style{bold, 9.5}
	cellStyle    = style{regular, 8.5}
	cellBold     = style{bold, 8.5}
	smallStyle   = style{regular, 7.5}
	codeStyle    = style{mono, 7.5}
	markStyle    = style{bold, 11}
)

// sheet lays a paper out: first everything is placed on pages, then the pages are drawn, when their number is known.
type sheet struct {
	pdf           *fpdf.Fpdf
	paper         Paper
	title         string
	subject       string
	marks         []string
	width, height float64
	margin        float64
	bare          bool // labels: no head and no foot but the page number
	pages         [][]func()
	at            int     // index of the page at hand
	top           float64 // of the room below the head, on the page at hand
	y             float64
	pending       string // heading that waits for what follows it
	rows          int
	widths        map[style]map[string]float64
	err           error
}

// newSheet begins a paper. Marks that the record itself gives, such as SUPERSEDED, are added before the first block.
func newSheet(p Paper, title, subject string, marks ...string) (*sheet, error) {
	s, err := newBare(p, title)
	if err != nil {
		return nil, err
	}
	for _, f := range []field{{"subject", subject}, {"notice", p.Notice}, {"printed by", p.name(p.PrintedBy)}} {
		if err := within(f.label, f.value, maxName); err != nil {
			return nil, err
		}
	}
	s.bare, s.subject, s.margin = false, printable(subject), margin
	s.marks = stamps(p, marks)
	s.newPage()
	return s, nil
}

// newBare begins a print without head and foot, for labels.
func newBare(p Paper, title string) (*sheet, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	s := &sheet{paper: p, title: title, bare: true, margin: 8, widths: map[style]map[string]float64{}}
	s.width, s.height, _ = p.Size.dimensions()
	s.pdf = fpdf.NewCustom(&fpdf.InitType{
		OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: s.width, Ht: s.height}})
	s.pdf.SetCatalogSort(true) // or fonts come in the order of a Go map
	s.pdf.SetCreationDate(p.Printed)
	s.pdf.SetModificationDate(p.Printed)
	s.pdf.SetTitle(printable(title), true)
	s.pdf.SetCreator("Barward", false)
	s.pdf.SetProducer("Barward", false)
	s.pdf.SetLang("en")
	s.pdf.SetAutoPageBreak(false, 0)
	s.pdf.SetMargins(0, 0, 0)
	for _, face := range faces {
		// A copy: the library writes into the bytes it is given when it reads a glyph's metrics (an append to a part of
		// them), so that papers would share what one of them changed.
		s.pdf.AddUTF8FontFromBytes(face.name, "", slices.Clone(face.ttf))
	}
	return s, s.pdf.Error()
}

// stamps are the marks of a paper, each once, in the order of what a reader must know first.
func stamps(p Paper, marks []string) []string {
	if p.Provisional {
		marks = append(marks, "PROVISIONAL")
	}
	if !p.Proof.Recorded() {
		marks = append(marks, "NOT IN THE LEDGER")
	}
	if p.Copy {
		marks = append(marks, "COPY")
	}
	var once []string
	for _, m := range marks {
		if m != "" && !slices.Contains(once, m) {
			once = append(once, m)
		}
	}
	return once
}

// measure remembers widths, because a long list says the same words again and again.
func (s *sheet) measure(st style, text string) float64 {
	known := s.widths[st]
	if known == nil {
		known = map[string]float64{}
		s.widths[st] = known
	}
	if w, ok := known[text]; ok {
		return w
	}
	s.pdf.SetFont(st.face, "", st.size)
	w := s.pdf.GetStringWidth(text)
	if len(known) < maxRows {
		known[text] = w
	}
	return w
}

func (s *sheet) wrap(st style, text string, width float64) []string {
	return wrap(s.measure, st, text, width)
}

func (s *sheet) fail(err error) {
	if s.err == nil {
		s.err = err
	}
}

// inner is the width between the margins, bottom the end of the room above the foot.
func (s *sheet) inner() float64  { return s.width - 2*s.margin }
func (s *sheet) bottom() float64 { return s.height - footHeight }

// put adds something to be drawn on the page at hand.
func (s *sheet) put(draw func()) {
	s.pages[s.at] = append(s.pages[s.at], draw)
}

func (s *sheet) textAt(x, top float64, st style, text string) {
	if text == "" {
		return
	}
	s.put(func() {
		s.pdf.SetFont(st.face, "", st.size)
		s.pdf.Text(x, top+st.rise(), text)
	})
}

func (s *sheet) linesAt(x, top float64, st style, lines []string) {
	for i, line := range lines {
		s.textAt(x, top+float64(i)*st.lead(), st, line)
	}
}

func (s *sheet) ruleAt(x1, y1, x2, y2, thick float64) {
	s.put(func() {
		s.pdf.SetLineWidth(thick)
		s.pdf.Line(x1, y1, x2, y2)
	})
}

func (s *sheet) frameAt(x, y, w, h, thick float64) {
	s.put(func() {
		s.pdf.SetLineWidth(thick)
		s.pdf.Rect(x, y, w, h, "D")
	})
}

func (s *sheet) newPage() {
	if len(s.pages) >= maxPages {
		s.fail(tooLong("", "This paper would have more than %d pages. Print it in parts.", maxPages))
		s.y = s.top
		return
	}
	s.pages = append(s.pages, nil)
	s.at = len(s.pages) - 1
	s.y = s.margin
	if !s.bare {
		s.head()
	}
	s.top = s.y
}

// room begins a new page unless this much fits on the one at hand, and sets the heading that waits for what comes now:
// no heading stands alone at the foot of a page.
func (s *sheet) room(height float64) {
	above := 0.0
	if s.pending != "" {
		above = headingStyle.lead() + 2
	}
	if s.y+above+height > s.bottom() && s.y > s.top {
		s.newPage()
	}
	if s.pending != "" {
		s.textAt(s.margin, s.y+1, headingStyle, s.pending)
		s.y, s.pending = s.y+above, ""
	}
}

// head is what every page begins with: what it is, of what, its marks, and when it was printed.
func (s *sheet) head() {
	right := s.width - s.margin
	marksWide := 0.0
	for _, m := range s.marks {
		marksWide = max(marksWide, s.measure(markStyle, m)+5)
	}
	y := s.y
	for _, m := range s.marks {
		s.frameAt(right-marksWide, y, marksWide, 7, 0.6)
		s.textAt(right-marksWide+(marksWide-s.measure(markStyle, m))/2, y+1.1, markStyle, m)
		y += 8.2
	}
	room := s.inner() - marksWide - 4
	title := s.title
	if len(s.pages) > 1 {
		title += " (continued)"
	}
	for _, part := range []struct {
		st   style
		text string
	}{
		{titleStyle, title}, {subjectStyle, s.subject}, {smallStyle, s.printed()},
		{strongStyle, printable(s.paper.Notice)},
	} {
		if part.text == "" {
			continue
		}
		lines := s.wrap(part.st, part.text, room)
		s.linesAt(s.margin, s.y, part.st, lines)
		s.y += float64(len(lines))*part.st.lead() + 0.6
	}
	s.y = max(s.y, y) + 1
	s.ruleAt(s.margin, s.y, right, s.y, 0.5)
	s.y += gap
}

func (s *sheet) printed() string {
	text := "Printed " + moment(s.paper.Printed)
	if s.paper.PrintedBy != "" {
		text += " by " + printable(s.paper.name(s.paper.PrintedBy))
	}
	return text
}

// foot ends a page: the ledger reference, what prevails, and the page's number.
func (s *sheet) foot(page int) {
	right, y := s.width-s.margin, s.bottom()+2
	of := fmt.Sprintf("Page %d of %d", page, len(s.pages))
	if s.bare {
		s.textAt(s.margin, s.height-s.margin-smallStyle.lead()+2, smallStyle, s.title+" · printed "+moment(s.paper.Printed))
		s.textAt(right-s.measure(smallStyle, of), s.height-s.margin-smallStyle.lead()+2, smallStyle, of)
		return
	}
	s.ruleAt(s.margin, y, right, y, 0.2)
	y += 1
	ofStyle := style{bold, 8}
	s.textAt(right-s.measure(ofStyle, of), y, ofStyle, of)
	reference := "In no ledger yet: nothing on this paper is proved. Print it again once it is recorded."
	if p := s.paper.Proof; p.Recorded() {
		reference = fmt.Sprintf("Ledger %s, entry %d, checkpoint of %d entries whose root hash begins with %s. "+
			"Where this paper and the ledger differ, the signed entries in the ledger prevail.",
			printable(p.Origin), p.Entries[0], p.Size, hex.EncodeToString(p.Root[:8]))
	}
	st := style{regular, 6.5}
	lines := s.wrap(st, reference, s.inner()-25)
	s.linesAt(s.margin, y, st, lines)
}

// heading begins a part. It is set by what follows it.
func (s *sheet) heading(text string) { s.pending = text }

// paragraph is running text; it goes on over the page.
func (s *sheet) paragraph(st style, text string) {
	if err := within("text", text, maxText); err != nil {
		s.fail(err)
		return
	}
	for _, line := range s.wrap(st, printable(text), s.inner()) {
		s.room(st.lead())
		s.textAt(s.margin, s.y, st, line)
		s.y += st.lead()
	}
	s.y += gap / 2
}

// caution is a framed warning where the action is. Its texts are ours and short.
func (s *sheet) caution(text string) {
	word := "CAUTION"
	indent := s.measure(strongStyle, word) + 4
	lines := s.wrap(bodyStyle, text, s.inner()-indent-6)
	height := float64(len(lines))*bodyStyle.lead() + 4
	s.room(height)
	s.frameAt(s.margin, s.y, s.inner(), height, 0.7)
	s.textAt(s.margin+3, s.y+2, strongStyle, word)
	s.linesAt(s.margin+3+indent, s.y+2, bodyStyle, lines)
	s.y += height + gap
}

// field is one fact with its name.
type field struct{ label, value string }

// fields prints facts one under the other, the name left, the value right of it; absent values say so.
func (s *sheet) fields(list ...field) {
	for _, f := range list {
		if err := within(f.label, f.value, maxText); err != nil {
			s.fail(err)
			return
		}
		lines := s.wrap(bodyStyle, printable(or(f.value)), s.inner()-labelWide)
		names := s.wrap(smallStyle, f.label, labelWide-3)
		s.room(min(float64(max(len(lines), len(names))), 4) * bodyStyle.lead())
		s.linesAt(s.margin, s.y+0.5, smallStyle, names)
		for i, line := range lines {
			if i > 0 {
				s.room(bodyStyle.lead())
			}
			s.textAt(s.margin+labelWide, s.y, bodyStyle, line)
			s.y += bodyStyle.lead()
		}
		if more := float64(len(names))*smallStyle.lead() - float64(len(lines))*bodyStyle.lead(); more > 0 {
			s.y += more
		}
		s.y += 0.5
	}
	s.y += gap / 2
}

// role is who signs on a line.
type role struct{ what, who string }

// end closes a paper: the proof in full with the QR code that leads to it, and lines for people to sign on, two beside
// each other. They stay on one page where one page holds them, so that no signature stands apart from what it is
// under.
func (s *sheet) end(roles ...role) {
	const (
		code  = 34.0 // side of the QR code
		names = 28.0 // breadth of the facts' names
	)
	pairs, signatures := s.pairs(roles)
	if s.err != nil {
		return
	}
	p := s.paper.Proof
	var facts []field
	var laid [][]string
	height := 0.0
	if p.Recorded() {
		facts = ledgerFacts(p)
		for _, f := range facts {
			lines := s.wrap(codeStyle, printable(f.value), s.inner()-code-6-names)
			laid = append(laid, lines)
			height += float64(len(lines))*codeStyle.lead() + 0.8
		}
		height = max(height, code)
	} else {
		height = 3 * bodyStyle.lead()
	}
	s.heading("Ledger")
	both := height + gap + headingStyle.lead() + 2 + signatures
	if both > s.bottom()-s.top-headingStyle.lead()-2 {
		both = height
	}
	s.room(both)
	if p.Recorded() {
		s.qrAt(s.width-s.margin-code, s.y, code, p.VerificationText())
		end := s.y + height + gap
		for i, f := range facts {
			s.textAt(s.margin, s.y, smallStyle, f.label)
			s.linesAt(s.margin+names, s.y, codeStyle, laid[i])
			s.y += float64(len(laid[i]))*codeStyle.lead() + 0.8
		}
		s.y = end
	} else {
		s.paragraph(bodyStyle, "This paper was printed before its record reached the ledger, so it has no reference and "+
			"nobody can check it yet. Print it again once the outbox is empty.")
	}
	s.heading("Signatures")
	for _, pair := range pairs {
		s.sign(pair)
	}
}

// ledgerFacts are the proof in words. Entries, origin and hashes are bounded, so that they fit a page.
func ledgerFacts(p Proof) []field {
	verified := "not verified by who printed this"
	if p.Verified {
		verified = "verified by who printed this: the entry is in the log under this checkpoint"
	}
	return []field{
		{"ledger", p.Origin}, {"entries", entryList(p.Entries)}, {"leaf hash of the first", hex.EncodeToString(p.Leaf)},
		{"checkpoint", fmt.Sprintf("%d entries, fetched %s", p.Size, moment(p.At))},
		{"root hash", hex.EncodeToString(p.Root)}, {"proof", verified},
		{"to check it yourself", fmt.Sprintf("barward ledger verify-inclusion %d", p.Entries[0])},
	}
}

// A pair is one or two lines to sign on beside each other; all is how high it is, with what stands under the lines.
type pair struct {
	laid      [][]string
	line, all float64
}

func (s *sheet) pairWidth() float64 { return (s.inner() - 8) / 2 }

func (s *sheet) pairs(roles []role) (list []pair, height float64) {
	for first := 0; first < len(roles); first += 2 {
		var p pair
		for _, r := range roles[first:min(first+2, len(roles))] {
			text := r.what
			if r.who != "" {
				text += ": " + r.who
			}
			if err := within(r.what, text, maxName); err != nil {
				s.fail(err)
				return nil, 0
			}
			lines := s.wrap(strongStyle, printable(text), s.pairWidth())
			p.laid = append(p.laid, lines)
			p.line = max(p.line, float64(len(lines))*strongStyle.lead()+13) // 13 mm to sign in
		}
		p.all = p.line + 6
		list, height = append(list, p), height+p.all
	}
	return list, height
}

func (s *sheet) sign(p pair) {
	s.room(p.all)
	wide := s.pairWidth()
	for i, lines := range p.laid {
		x, line := s.margin+float64(i)*(wide+8), s.y+p.line
		s.linesAt(x, s.y, strongStyle, lines)
		s.ruleAt(x, line, x+wide*0.62, line, 0.3)
		s.ruleAt(x+wide*0.66, line, x+wide, line, 0.3)
		s.textAt(x, line+0.6, smallStyle, "name and signature")
		s.textAt(x+wide*0.66, line+0.6, smallStyle, "date and time")
	}
	s.y += p.all
}

// entryList names the entries, the first 60 by number: a consignment of 400 boxes rests on more than a page holds.
func entryList(list []uint64) string {
	const most = 60
	if len(list) <= most {
		return numbers(list)
	}
	return fmt.Sprintf("%s and %d more", numbers(list[:most]), len(list)-most)
}

// output draws the pages, now that their number is known.
func (s *sheet) output() ([]byte, error) {
	for i := range s.pages {
		s.at = i
		s.foot(i + 1)
	}
	if s.err != nil {
		return nil, s.err
	}
	for _, page := range s.pages {
		s.pdf.AddPage()
		for _, draw := range page {
			draw()
		}
	}
	var out bytes.Buffer
	if err := s.pdf.Output(&out); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}
