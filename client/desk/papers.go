package desk

import (
	"strings"
)

// A paper is a kind of document that a page prints: GET /papers/{kind}/{name}.pdf, the name being that of a thing,
// `party/number`. It returns the PDF. What is not recorded yet is printed as provisional.
type paperKind func(v *visit, name string) ([]byte, error)

// paperKinds lists the kinds by the word in their address. A new kind is one line here and a function in the file of
// its room.
func paperKinds() map[string]paperKind {
	return map[string]paperKind{
		"pour":           (*visit).pourPaper,
		"bar-labels":     (*visit).barLabelsPaper,
		"box":            (*visit).boxPaper,
		"packets":        (*visit).packetPaper,
		"advice":         (*visit).advicePaper,
		"handed":         (*visit).handedPaper,
		"receipt":        (*visit).receiptPaper,
		"taken":          (*visit).takenPaper,
		"arrival":        (*visit).arrivalPaper,
		"lot-bars":       (*visit).barsPaper,
		"exchange":       (*visit).exchangePaper,
		"umpire":         (*visit).umpirePaper,
		"statement":      (*visit).statementPaper,
		"reconciliation": (*visit).reconciliationPaper,
	}
}

// paper answers with a document. It is shown in the browser, from where it is printed.
func (v *visit) paper() error {
	make, known := paperKinds()[v.r.PathValue("kind")]
	name, isPDF := strings.CutSuffix(v.r.PathValue("name"), ".pdf")
	if !known || !isPDF || name == "" {
		return v.nowhere()
	}
	pdf, err := make(v, name)
	if err != nil {
		return err
	}
	h := v.w.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Disposition", `inline; filename="`+fileName(v.r.PathValue("kind")+" "+name)+`.pdf"`)
	// The browser's own viewer styles itself from within, and runs no script of the document.
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'")
	_, err = v.w.Write(pdf)
	return err
}
