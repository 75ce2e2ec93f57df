package settlement

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/weighing"
)

// sections names the section of the reference page for each struct of an agreement.
var sections = map[reflect.Type]string{
	reflect.TypeFor[Terms](): "Agreement", reflect.TypeFor[WeightStep](): "Weight rounding", reflect.TypeFor[quantity.Rounding](): "Rounding",
	reflect.TypeFor[MetalTerms](): "Metal", reflect.TypeFor[assay.ExchangeTerms](): "Exchange", reflect.TypeFor[assay.LimitBand](): "Splitting limit",
	reflect.TypeFor[Payable](): "Payable", reflect.TypeFor[PayableBand](): "Payable band", reflect.TypeFor[PriceTerms](): "Price",
	reflect.TypeFor[Dating](): "Day", reflect.TypeFor[Charge](): "Charge", reflect.TypeFor[Penalty](): "Penalty",
	reflect.TypeFor[MoneyRounding](): "Money rounding", reflect.TypeFor[Payment](): "Payment", reflect.TypeFor[Conversion](): "Conversion",
	reflect.TypeFor[Advance](): "Advance", reflect.TypeFor[WeightLimits](): "Weight limits", reflect.TypeFor[weighing.Limit](): "Limit",
	reflect.TypeFor[LossRange](): "Melt loss", reflect.TypeFor[Claim](): "Claim", reflect.TypeFor[Reporting](): "Reporting",
	reflect.TypeFor[Tolerances](): "Return tolerances",
}

func page(t *testing.T) map[string]string {
	t.Helper()
	text, err := os.ReadFile("AGREEMENT.md")
	if err != nil {
		t.Fatal(err)
	}
	bySection := map[string]string{}
	for _, part := range strings.Split(string(text), "\n## ")[1:] {
		heading, body, _ := strings.Cut(part, "\n")
		bySection[heading] = body
	}
	return bySection
}

// Every JSON field of an agreement has its row in the section of its struct, and no row names a field that is not there.
func TestReferencePageNamesEveryTerm(t *testing.T) {
	bySection := page(t)
	visited := map[reflect.Type]bool{}
	var visit func(reflect.Type)
	visit = func(of reflect.Type) {
		for of.Kind() == reflect.Pointer || of.Kind() == reflect.Slice {
			of = of.Elem()
		}
		if of.Kind() != reflect.Struct || visited[of] {
			return
		}
		section, ok := sections[of]
		if !ok {
			return // a figure that prints as one text
		}
		visited[of] = true
		body, known := bySection[section], map[string]bool{}
		for i := range of.NumField() {
			name, _, _ := strings.Cut(of.Field(i).Tag.Get("json"), ",")
			if name == "" {
				continue
			}
			known[name] = true
			if !strings.Contains(body, "\n| `"+name+"` |") {
				t.Errorf("AGREEMENT.md, section %q, has no row for %s of %s", section, name, of)
			}
			visit(of.Field(i).Type)
		}
		for _, line := range strings.Split(body, "\n") {
			if name, found := strings.CutPrefix(line, "| `"); found && len(known) > 0 {
				if name, _, _ = strings.Cut(name, "`"); !known[name] {
					t.Errorf("AGREEMENT.md, section %q, has a row for %s, which %s has not", section, name, of)
				}
			}
		}
	}
	visit(reflect.TypeFor[Terms]())
	for of, section := range sections {
		if !visited[of] && of != reflect.TypeFor[quantity.Rounding]() {
			t.Errorf("no term leads to %s of section %q", of, section)
		}
	}
}

// Every value that a term may take is named on the page.
func TestReferencePageNamesEveryChoice(t *testing.T) {
	whole := strings.Join(func() (all []string) {
		for _, body := range page(t) {
			all = append(all, body)
		}
		return all
	}(), "\n")
	for _, file := range []string{"terms.go", "daycount.go", "../assay/terms.go"} {
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		found := 0
		for _, d := range parsed.Decls {
			g, ok := d.(*ast.GenDecl)
			if !ok || g.Tok != token.CONST {
				continue
			}
			for _, spec := range g.Specs {
				v := spec.(*ast.ValueSpec)
				if v.Type == nil || len(v.Values) != 1 {
					continue
				}
				literal, ok := v.Values[0].(*ast.BasicLit)
				if !ok || literal.Kind != token.STRING {
					continue
				}
				value, _ := strconv.Unquote(literal.Value)
				found++
				if !strings.Contains(whole, "`"+value+"`") {
					t.Errorf("AGREEMENT.md does not name the choice %q of %s", value, file)
				}
			}
		}
		if found == 0 {
			t.Errorf("%s has no choices; the test reads the wrong file", file)
		}
	}
}
