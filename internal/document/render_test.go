package document

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// tool finds an independent reader; without it the test is skipped, and in CI it fails.
func tool(t *testing.T, name, of string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is not installed; it comes with the package %s", name, of)
		}
		t.Skipf("%s is not installed; it comes with the package %s", name, of)
	}
	return path
}

func run(t *testing.T, path string, args ...string) string {
	t.Helper()
	out, err := exec.Command(path, args...).Output()
	if err != nil {
		t.Fatalf("%s %v: %v", filepath.Base(path), args, err)
	}
	return string(out)
}

// keep writes a paper where the readers find it. BARWARD_PAPERS names a folder to keep the papers in, for the eye.
func keep(t *testing.T, name string, pdf []byte) string {
	t.Helper()
	folder := os.Getenv("BARWARD_PAPERS")
	if folder == "" {
		folder = t.TempDir()
	}
	path := filepath.Join(folder, name+".pdf")
	if err := os.WriteFile(path, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// pagesOf reads a paper back with poppler, page by page.
func pagesOf(t *testing.T, name string, pdf []byte) []string {
	t.Helper()
	out := run(t, tool(t, "pdftotext", "poppler-utils"), "-layout", keep(t, name, pdf), "-")
	return strings.Split(strings.TrimSuffix(out, "\f"), "\f")
}

// plain is a text without its line ends and double blanks.
func plain(text string) string { return strings.Join(strings.Fields(text), " ") }

// codesOf renders the pages from one on and reads their barcodes with zbar, as `symbology:content`.
func codesOf(t *testing.T, name string, pdf []byte, dpi, from int) []string {
	t.Helper()
	ppm, zbar := tool(t, "pdftoppm", "poppler-utils"), tool(t, "zbarimg", "zbar-tools")
	prefix := filepath.Join(t.TempDir(), name)
	run(t, ppm, "-gray", "-r", strconv.Itoa(dpi), "-f", strconv.Itoa(from), keep(t, name, pdf), prefix)
	images, err := filepath.Glob(prefix + "*")
	if err != nil || len(images) == 0 {
		t.Fatalf("no page was rendered: %v", err)
	}
	// --nodbus: or it asks for a bus on which it could tell others what it read.
	args := append([]string{"--quiet", "--nodbus", "-Sdisable", "-Scode128.enable", "-Sqrcode.enable"}, images...)
	out, err := exec.Command(zbar, args...).Output()
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 4) { // 4: a page has no code
		t.Fatalf("zbarimg: %v", err)
	}
	var codes []string
	at := regexp.MustCompile(`(?m)^(CODE-128|QR-Code):`).FindAllIndex(out, -1)
	for i, from := range at {
		to := len(out)
		if i+1 < len(at) {
			to = at[i+1][0]
		}
		codes = append(codes, strings.TrimSuffix(string(out[from[0]:to]), "\n"))
	}
	return codes
}

// picture is a part of a rendered page, one byte a dot, 0 black.
type picture struct {
	wide, high int
	dots       []byte
}

func (p picture) dark(x, y int) bool { return p.dots[y*p.wide+x] < 128 }

// gray renders a part of the first page, given in millimetres.
func gray(t *testing.T, pdf []byte, dpi int, x, y, wide, high float64) picture {
	t.Helper()
	dots := func(mm float64) string { return strconv.Itoa(int(mm / 25.4 * float64(dpi))) }
	prefix := filepath.Join(t.TempDir(), "part")
	run(t, tool(t, "pdftoppm", "poppler-utils"), "-gray", "-singlefile", "-r", strconv.Itoa(dpi), "-x", dots(x), "-y",
		dots(y),
		"-W", dots(wide), "-H", dots(high), keep(t, "gray", pdf), prefix)
	raw, err := os.ReadFile(prefix + ".pgm")
	if err != nil {
		t.Fatal(err)
	}
	var p picture
	var most int
	if _, err := fmt.Sscanf(string(raw[:min(len(raw), 40)]), "P5\n%d %d\n%d", &p.wide, &p.high, &most); err != nil ||
		most != 255 ||
		len(raw) < p.wide*p.high {
		t.Fatalf("no PGM: %v", err)
	}
	p.dots = raw[len(raw)-p.wide*p.high:]
	return p
}

// barWidths scans the rendered label through its linear code and returns the widths of bars and spaces in modules of
// 0.495 mm, from the first bar on.
func barWidths(t *testing.T, pdf []byte) (widths []string) {
	t.Helper()
	const dpi = 1200
	// One line 80 mm from the top of the page, through the middle of the code's height, inside the label's frame.
	line := gray(t, pdf, dpi, 9, 80, 94, 0.1)
	module := 0.495 / 25.4 * dpi
	from, dark := -1, false
	for i := range line.wide {
		if now := line.dark(i, 0); now != dark {
			if from >= 0 {
				widths = append(widths, strconv.Itoa(int(float64(i-from)/module+0.5)))
			}
			from, dark = i, now
		}
	}
	if len(widths) < 30 {
		t.Fatalf("only %d bars and spaces were found", len(widths))
	}
	return widths
}
