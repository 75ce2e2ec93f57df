package document

import (
	"image/color"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/code128"
	"github.com/boombuler/barcode/qr"

	"barward/internal/refusal"
)

// Widths of the narrowest bar of a Code 128, in millimetres. Below 0.19 mm an office printer at 300 dpi has fewer than
// three dots a bar (common practice, no source). GS1-128 on a logistic label has 0.495 mm to 1.016 mm and bars at
// least 31.75 mm high (GS1 General Specifications, symbol specification table 5; from memory).
const (
	leastModule  = 0.19
	bestModule   = 0.33
	gs1Module    = 0.495
	gs1BarHeight = 32.0
	quiet        = 10 // modules of white left and right of a Code 128 (ISO/IEC 15417)
	quietQR      = 4  // modules of white around a QR code (ISO/IEC 18004)
)

func noBarcode(text string, err error) error {
	refused := refusal.Invalidf("DOCUMENT_BARCODE", "", "%s does not go into a barcode; a number has letters, digits, "+
		"hyphens and points of ASCII.", refusal.Quote(text))
	refused.Cause = err
	return refused
}

// code128At draws a Code 128 in a box, as broad as it may be and in its middle, and says whether it fits.
func (s *sheet) code128At(x, y, width, height, most float64, content string) (fits bool) {
	code, err := code128.Encode(content)
	if err != nil {
		s.fail(noBarcode(content, err))
		return false
	}
	n := code.Bounds().Dx()
	module := min(most, width/float64(n+2*quiet))
	if module < leastModule {
		return false
	}
	s.modulesAt(code, x+(width-module*float64(n))/2, y, module, height)
	return true
}

// gs1At draws a GS1-128 at its least module width of 0.495 mm: FNC1 and then the element string, in subset C.
func (s *sheet) gs1At(x, y, width, height float64, digits string) {
	content := string(code128.FNC1) + digits
	code, err := code128.Encode(content)
	if err != nil {
		s.fail(noBarcode(digits, err))
		return
	}
	n := code.Bounds().Dx()
	if gs1Module*float64(n+2*quiet) > width {
		s.fail(noBarcode(digits, nil))
		return
	}
	s.modulesAt(code, x+(width-gs1Module*float64(n))/2, y, gs1Module, height)
}

// qrAt draws a QR code with its white border in a square.
func (s *sheet) qrAt(x, y, side float64, content string) {
	code, err := qr.Encode(content, qr.M, qr.Unicode)
	if err != nil {
		s.fail(noBarcode(content, err))
		return
	}
	module := side / float64(code.Bounds().Dx()+2*quietQR)
	s.modulesAt(code, x+quietQR*module, y+quietQR*module, module, module)
}

// modulesAt draws the dark modules as one path, so that no seam shows between neighbours: a row of a matrix or the
// bars of a linear code, each module as wide as given and as high.
func (s *sheet) modulesAt(code barcode.Barcode, x, y, wide, high float64) {
	bounds := code.Bounds()
	dark := func(i, j int) bool {
		return i < bounds.Max.X && color.Gray16Model.Convert(code.At(i, j)) == color.Black
	}
	s.put(func() {
		s.pdf.SetFillColor(0, 0, 0)
		for j := bounds.Min.Y; j < bounds.Max.Y; j++ {
			for i := bounds.Min.X; i < bounds.Max.X; i++ {
				if !dark(i, j) {
					continue
				}
				end := i
				for dark(end, j) {
					end++
				}
				left, right := x+float64(i-bounds.Min.X)*wide, x+float64(end-bounds.Min.X)*wide
				top, foot := y+float64(j-bounds.Min.Y)*high, y+float64(j-bounds.Min.Y+1)*high
				s.pdf.MoveTo(left, top)
				s.pdf.LineTo(right, top)
				s.pdf.LineTo(right, foot)
				s.pdf.LineTo(left, foot)
				s.pdf.ClosePath()
				i = end
			}
		}
		s.pdf.DrawPath("f")
	})
}
