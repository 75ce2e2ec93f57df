package document

// column is one column of a table.
type column struct {
	title  string
	right  bool // figures, read down digit under digit
	strong bool
	mono   bool // hashes, compared digit by digit
}

const (
	cellPad  = 1.2 // left and right of a cell's text
	rowPad   = 0.8 // above and below it
	narrowed = 14  // width that a column may be narrowed to before its longest word is broken
)

// table prints rows under a head that is repeated on every page. A row stays whole while it fits a page; one that is
// higher than a page goes on over the next. Where there are no rows it says so in the words of none.
func (s *sheet) table(none string, columns []column, rows [][]string) {
	if len(rows) == 0 {
		s.paragraph(bodyStyle, none)
		return
	}
	if s.rows += len(rows); s.rows > maxRows {
		s.fail(tooLong("", "This paper would have more than %d rows. Print it in parts.", maxRows))
		return
	}
	cells := make([][]string, len(rows))
	for i, row := range rows {
		cells[i] = make([]string, len(columns))
		for j, text := range row {
			if err := within(columns[j].title, text, maxText); err != nil {
				s.fail(err)
				return
			}
			cells[i][j] = printable(or(text))
		}
	}
	widths := s.columnWidths(columns, cells)
	head, first := s.tableHead(columns, widths, false), 0
	for j, text := range cells[0] {
		first = max(first, len(s.wrap(columns[j].style(), text, widths[j]-2*cellPad)))
	}
	height := head + float64(first)*cellStyle.lead() + 2*rowPad
	if height > s.bottom()-s.top-headingStyle.lead()-2 { // higher than a page: it begins here and goes on over the next
		height = head + 3*cellStyle.lead() + 2*rowPad
	}
	s.room(height)
	s.tableHead(columns, widths, true)
	for _, row := range cells {
		if s.err != nil {
			return
		}
		s.row(columns, widths, row)
	}
	s.y += gap
}

func (c column) style() style {
	if c.strong {
		return cellBold
	}
	if c.mono {
		return style{mono, 7}
	}
	return cellStyle
}

// columnWidths gives each column what its widest line takes. Where that is more than the page in all, the widest
// column gives way first, again and again, down to its longest word; then words give way too. What is left over goes
// to the columns of text.
func (s *sheet) columnWidths(columns []column, cells [][]string) []float64 {
	wide, least := make([]float64, len(columns)), make([]float64, len(columns))
	for j, c := range columns {
		wide[j], least[j] = s.measure(cellBold, c.title), widest(s.measure, cellBold, c.title)
		for _, row := range cells {
			for _, line := range splitLines(row[j]) {
				wide[j] = max(wide[j], s.measure(c.style(), line))
			}
			least[j] = max(least[j], widest(s.measure, c.style(), row[j]))
		}
		wide[j] += 2*cellPad + 0.1
		least[j] += 2*cellPad + 0.1
		if c.right {
			least[j] = min(wide[j], 48) // a figure is not wrapped while there is another way
		}
	}
	room := s.inner()
	shrink(wide, least, room)
	floor := make([]float64, len(columns))
	for j := range floor {
		floor[j] = min(narrowed, room/float64(len(columns)))
	}
	shrink(wide, floor, room)
	left, texts := room, 0
	for j, w := range wide {
		left -= w
		if !columns[j].right {
			texts++
		}
	}
	for j := range wide {
		if texts == 0 {
			wide[j] += left / float64(len(wide))
		} else if !columns[j].right {
			wide[j] += left / float64(texts)
		}
	}
	return wide
}

// shrink takes half a millimetre at a time from the widest that is above its least, until all fit.
func shrink(wide, least []float64, room float64) {
	const step = 0.5
	total := 0.0
	for _, w := range wide {
		total += w
	}
	for total > room {
		widest := -1
		for j, w := range wide {
			if w-step >= least[j] && (widest < 0 || w > wide[widest]) {
				widest = j
			}
		}
		if widest < 0 {
			return
		}
		wide[widest] -= step
		total -= step
	}
}

func splitLines(text string) (lines []string) {
	start := 0
	for i := range len(text) {
		if text[i] == '\n' {
			lines, start = append(lines, text[start:i]), i+1
		}
	}
	return append(lines, text[start:])
}

// tableHead draws the head of a table, or only says how high it is.
func (s *sheet) tableHead(columns []column, widths []float64, draw bool) (height float64) {
	laid := make([][]string, len(columns))
	for j, c := range columns {
		laid[j] = s.wrap(cellBold, c.title, widths[j]-2*cellPad)
		height = max(height, float64(len(laid[j]))*cellBold.lead()+2*rowPad)
	}
	if !draw {
		return height
	}
	x := s.margin
	s.ruleAt(s.margin, s.y, s.width-s.margin, s.y, 0.4)
	for j, c := range columns {
		s.cellAt(x, s.y+rowPad, widths[j], c, cellBold, laid[j])
		x += widths[j]
	}
	s.y += height
	s.ruleAt(s.margin, s.y, s.width-s.margin, s.y, 0.4)
	return height
}

func (s *sheet) cellAt(x, top, width float64, c column, st style, lines []string) {
	for i, line := range lines {
		at := x + cellPad
		if c.right {
			at = x + width - cellPad - s.measure(st, line)
		}
		s.textAt(at, top+float64(i)*cellStyle.lead(), st, line)
	}
}

func (s *sheet) row(columns []column, widths []float64, cells []string) {
	laid, most := make([][]string, len(columns)), 0
	for j, c := range columns {
		laid[j] = s.wrap(c.style(), cells[j], widths[j]-2*cellPad)
		most = max(most, len(laid[j]))
	}
	over := func() {
		s.newPage()
		s.tableHead(columns, widths, true)
	}
	lead := cellStyle.lead() // of the largest style in a row
	height := float64(most)*lead + 2*rowPad
	page := s.bottom() - s.top - s.tableHead(columns, widths, false)
	if s.y+height > s.bottom() && (height <= page || s.y+2*lead+2*rowPad > s.bottom()) {
		over()
	}
	for from := 0; from < most; {
		fits := max(1, int((s.bottom()-s.y-2*rowPad)/lead))
		to := min(most, from+fits)
		x := s.margin
		for j, c := range columns {
			if from < len(laid[j]) {
				s.cellAt(x, s.y+rowPad, widths[j], c, c.style(), laid[j][from:min(to, len(laid[j]))])
			}
			x += widths[j]
		}
		s.y += float64(to-from)*lead + 2*rowPad
		s.ruleAt(s.margin, s.y, s.width-s.margin, s.y, 0.1)
		if from = to; from < most {
			if over(); s.err != nil {
				return
			}
		}
	}
}
