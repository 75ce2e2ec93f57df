package document

import (
	"strconv"
	"time"
)

// Evidence is a pack of files about one thing, which this cover lies on.
type Evidence struct {
	Subject  string         // what it is about, such as `discrepancy d41.1`
	Purpose  string         // why it was made, in words
	Question string         // what is in dispute, in words; may be empty
	MadeFor  []string       // parties it is made for
	From, To time.Time      // first and last instant it covers; zero where it covers all
	Files    []EvidenceFile // every file of the pack but this one
	Checks   []string       // what to do, one command or act a line, to check it without trusting who made it
}

// EvidenceFile is one file of a pack.
type EvidenceFile struct {
	Name   string // path inside the pack
	What   string // what it holds
	Bytes  uint64
	SHA256 string // 64 hexadecimal digits
}

// EvidenceCover prints what a pack holds, which checkpoint it stands under, and how a stranger checks it.
func EvidenceCover(p Paper, e Evidence) ([]byte, error) {
	s, err := newSheet(p, "Evidence", e.Subject)
	if err != nil {
		return nil, err
	}
	s.paragraph(bodyStyle, "These files can be checked without trusting who made them or who keeps the ledger: every "+
		"entry is signed by its author, and the log proves that none was changed or left out afterwards. What the entries say is "+
		"what their authors said, no more.")
	s.fields(
		field{"why it was made", e.Purpose},
		field{"in question", e.Question},
		field{"made for", p.names(e.MadeFor)},
		field{"from", moment(e.From)},
		field{"to", moment(e.To)},
		field{"files", strconv.Itoa(len(e.Files))},
	)
	s.heading("Files")
	var rows [][]string
	for i, f := range e.Files {
		rows = append(rows, []string{strconv.Itoa(i + 1), f.Name, f.What, strconv.FormatUint(f.Bytes, 10), f.SHA256})
	}
	s.table("There is no file in this pack.", []column{{title: "no.", right: true}, {title: "file", strong: true},
		{title: "what"}, {title: "bytes", right: true}, {title: "SHA-256", mono: true}}, rows)
	s.heading("How to check it")
	rows = nil
	for i, check := range e.Checks {
		rows = append(rows, []string{strconv.Itoa(i + 1), check})
	}
	s.table("No steps were given.", []column{{title: "step", right: true}, {title: "what to do"}}, rows)
	s.end(role{"Made by", ""}, role{"Received by", ""})
	return s.output()
}
