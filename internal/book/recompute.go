package book

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"strings"

	"barward/internal/assay"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/reckoning"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Remarks returns what an entry told its author's party beside the discrepancies.
func Remarks(pages *ledger.Book, caller identity.Caller, sequence uint64) []string {
	k, v := pages.Table(notes.table).Cursor().Seek(binary.BigEndian.AppendUint64(nil, sequence))
	if len(k) != 10 || binary.BigEndian.Uint64(k) != sequence {
		return nil
	}
	note, err := notes.decode(v)
	if err != nil || note.Party != caller.PartyID {
		return nil
	}
	return note.Remarks
}

// ReportOf returns a report that the caller may see: the figures that stand, or the last ones where all were withdrawn.
func ReportOf(pages *ledger.Book, caller identity.Caller, name string) (*pb.AssayRecord, error) {
	s := &store{pages: pages}
	on, ok := s.find("assay", name)
	if !ok {
		return nil, unknown("report", "report", name)
	}
	sample, ok := samples.load(s, on)
	if !ok {
		return nil, unknown("report", "report", name)
	}
	if sample, ok = s.sight(caller, samples.kind, sample).(*pb.Sample); !ok { // a laboratory sees its own reports only
		return nil, unknown("report", "report", name)
	}
	var record *pb.AssayRecord
	for _, a := range sample.Assays {
		if a.Report == name && (record == nil || a.SupersededBy == 0) {
			record = a
		}
	}
	if record == nil {
		return nil, unknown("report", "report", name)
	}
	return record, nil
}

// Recompute computes the worksheet that an event carries again, and sets it beside what was reported.
func Recompute(record *pb.AssayRecord, event *pb.Event) (*pb.RecomputeAssayResponse, error) {
	reported := event.GetAssayReported()
	if reported == nil {
		reported = event.GetCorrected().GetAssayReported()
	}
	if reported.GetWorksheetJson() == "" {
		return nil, refusal.New(refusal.Precondition, "WORKSHEET_NOT_KEPT", "report", "report %s was made without its worksheet, so nothing can be computed again; its results are as its author typed them", record.Report).About(record.Report)
	}
	out := &pb.RecomputeAssayResponse{Reported: record.Results, Entry: record.Entry, WorksheetJson: reported.WorksheetJson}
	result, err := reckoning.Worksheet([]byte(reported.WorksheetJson))
	if err != nil {
		return nil, refusal.In(err, "worksheet_json")
	}
	document, err := json.Marshal(result)
	if err != nil {
		return nil, err
	}
	out.DocumentJson, out.Computed = string(document), written(result.Results)
	stated, err := results(record.Results)
	if err != nil {
		return nil, err
	}
	agrees, words := assay.SameResults(stated, result.Results)
	out.Agrees = agrees
	out.Words = fmt.Sprintf("%s, entry %d: %s", record.Report, record.Entry, words)
	if len(result.Findings) > 0 {
		out.Words += "; the sheet finds: " + strings.Join(result.Findings, "; ")
	}
	return out, nil
}
