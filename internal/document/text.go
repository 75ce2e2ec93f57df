package document

import (
	"fmt"
	"regexp"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/norm"
)

// The faces of a paper. All three have the same characters: those of Windows Glyph List 4, Latin, Greek and Cyrillic.
const (
	regular = "regular"
	bold    = "bold"
	mono    = "mono"
)

var faces = []struct {
	name string
	ttf  []byte
}{{regular, goregular.TTF}, {bold, gobold.TTF}, {mono, gomono.TTF}}

// drawn are the characters that every face has a picture for.
var drawn = sync.OnceValue(func() map[rune]bool {
	has := map[rune]int{}
	for _, face := range faces {
		font, err := sfnt.Parse(face.ttf)
		if err != nil {
			continue // a font that cannot be read draws nothing, and every character becomes its number
		}
		var buffer sfnt.Buffer
		for r := rune(' '); r <= 0xFFFF; r++ {
			if glyph, err := font.GlyphIndex(&buffer, r); err == nil && glyph != 0 {
				has[r]++
			}
		}
	}
	all := map[rune]bool{}
	for r, faces3 := range has {
		if faces3 == len(faces) && (unicode.IsGraphic(r) && !unicode.In(r, unicode.Cf, unicode.Co, unicode.Zl, unicode.Zp)) {
			all[r] = true
		}
	}
	delete(all, '\u00a0') // stands for a blank; see printable
	delete(all, unicode.ReplacementChar)
	return all
})

// printable makes a text fit for paper: composed (Unicode normal form C), line ends as \n, a tab and the blank that
// does not break as a blank, and each character that cannot be drawn or seen as its number, such as [U+202E].
func printable(text string) string {
	plain := true
	for i := 0; i < len(text); i++ {
		if text[i] < ' ' && text[i] != '\n' || text[i] >= 0x7f {
			plain = false
			break
		}
	}
	if plain {
		return text
	}
	text = norm.NFC.String(strings.ReplaceAll(text, "\r\n", "\n"))
	var b strings.Builder
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRuneInString(text[i:])
		switch {
		case r == utf8.RuneError && n <= 1:
			fmt.Fprintf(&b, "[byte %02X]", text[i])
		case r == '\n':
			b.WriteByte('\n')
		case r == '\t' || r == '\u00a0':
			b.WriteByte(' ')
		case drawn()[r]:
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
		i += max(n, 1)
	}
	return b.String()
}

// glue stands for the blank between a figure and its unit while lines are made, so that no line ends between them. It
// is of the private use area, which printable never lets through.
const glue = "\ue000"

var figureAndUnit = regexp.MustCompile(`([0-9]) ((?:g|kg|mg|oz|ppt|percent|[A-Z]{3})\b|%|‰)`)

// style is how a text is set: face and size in points.
type style struct {
	face string
	size float64
}

// lead is the distance from one line to the next, in millimetres.
func (s style) lead() float64 { return s.size * 0.3528 * 1.25 }

// rise is the distance from the top of a line to its base line.
func (s style) rise() float64 { return s.size * 0.3528 * 0.98 }

// measure returns the width of a text in millimetres.
type measure func(style, string) float64

// wrap breaks a printable text into lines of at most width. A word that is wider is broken after a stroke or hyphen
// where it has one, or else where the width ends.
func wrap(m measure, s style, text string, width float64) []string {
	text = figureAndUnit.ReplaceAllString(text, "${1}"+glue+"${2}")
	var lines []string
	blank := m(s, " ")
	for _, paragraph := range strings.Split(text, "\n") {
		line, taken := "", 0.0
		for _, w := range strings.Split(paragraph, " ") {
			if w == "" {
				continue
			}
			w = strings.ReplaceAll(w, glue, " ")
			wide := m(s, w)
			if line != "" && taken+blank+wide <= width {
				line, taken = line+" "+w, taken+blank+wide
				continue
			}
			if line != "" {
				lines = append(lines, line)
			}
			for wide > width {
				head, tail := breakWord(m, s, w, width)
				if tail == "" {
					break
				}
				lines = append(lines, head)
				w, wide = tail, m(s, tail)
			}
			line, taken = w, wide
		}
		lines = append(lines, line)
	}
	return lines
}

// breakWord parts a word that is wider than width. At least one character stays in the head.
func breakWord(m measure, s style, word string, width float64) (head, tail string) {
	end, soft, taken := 0, 0, 0.0
	for i, r := range word {
		taken += m(s, string(r))
		next := i + utf8.RuneLen(r)
		if taken > width && i > 0 {
			break
		}
		end = next
		if strings.ContainsRune("/-_,;: ", r) {
			soft = next
		}
	}
	if soft > end/2 && end < len(word) {
		end = soft
	}
	return strings.TrimRight(word[:end], " "), strings.TrimLeft(word[end:], " ")
}

// widest is the width of the widest word of a text, as wrap would keep it together.
func widest(m measure, s style, text string) (most float64) {
	text = figureAndUnit.ReplaceAllString(text, "${1}"+glue+"${2}")
	for _, w := range strings.Fields(text) {
		most = max(most, m(s, strings.ReplaceAll(w, glue, " ")))
	}
	return most
}
