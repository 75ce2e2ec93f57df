package main

import (
	"strings"

	"barward/internal/reckoning"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type sampleCmd struct {
	Take    sampleTake    `cmd:"" help:"Record a sample and the sealed packets it was split into." example:"barward sample take S-1 --source OT-0412 --method drill --position 'top A1' --position 'bottom C3' --packet P1:SN-801:seller --packet P2:SN-802:umpire"`
	List    listCmd       `cmd:"" help:"List samples." example:"barward sample list"`
	Compare sampleCompare `cmd:"" help:"Whether a bar is alike throughout, by the reports on its samples and on its pour's: top against bottom, drill against dip and pin." computes:"homogeneity" example:"barward sample compare OT-0412 --element Au --limit 0.5"`
	Show    showCmd       `cmd:"" help:"Show a sample with the reports on it." example:"barward sample show S-1"`
}

type sampleTake struct {
	Number   string   `arg:"" help:"Number of the sample."`
	Source   string   `required:"" help:"Bar, pour or lot."`
	Method   string   `required:"" help:"drill, dip, pin, saw or granulate."`
	Position []string `sep:"none" help:"Where or when, such as 'top A1'; repeat for more."`
	Mass     string   `help:"Mass of the sample."`
	Packet   []string `sep:"none" help:"number:seal:holder, the holder being seller, refiner, umpire or reserve; with :laboratory behind it where one is named, which may then read of this packet; repeat for more." placeholder:"NUMBER:SEAL:HOLDER"`
}

// Run records the sample.
func (c *sampleTake) Run(a *app) error {
	method, err := choose(pb.SampleMethod_value, "SAMPLE_METHOD_", c.Method, "--method")
	if err != nil {
		return err
	}
	event := &pb.SampleTaken{SampleId: c.Number, Method: pb.SampleMethod(method), Positions: c.Position, Mass: c.Mass}
	if event.Source, err = a.ref(c.Source); err != nil {
		return err
	}
	for _, text := range c.Packet {
		text, laboratory, _ := cutAt(text, 3)
		parts, err := split(text, 3, "number:seal:holder, with :laboratory behind it where one is named")
		if err != nil {
			return refusal.In(err, "--packet")
		}
		holder, err := choose(pb.PacketHolder_value, "PACKET_HOLDER_", parts[2], "--packet")
		if err != nil {
			return err
		}
		event.Packets = append(event.Packets, &pb.Packet{PacketId: parts[0], Seal: parts[1],
			Holder: pb.PacketHolder(holder), Laboratory: laboratory})
	}
	return a.record(event)
}

type assayCmd struct {
	Report      assayReport    `cmd:"" help:"Report what a laboratory found in a sample. A worksheet is computed, and kept with the report." computes:"worksheet" example:"barward assay report R-1 --sample S-1 --method 'fire assay, two portions' Au=812.3 Ag=148.05"`
	Worksheet   offlineCmd     `cmd:"" help:"Compute a fire assay worksheet: raw masses in, fineness out. JSON in and out." offline:"worksheet" example:"barward assay worksheet --file sheet.json"`
	Recompute   assayRecompute `cmd:"" help:"Compute the worksheet of a report again, from its signed entry, and say whether it still gives what was reported." computes:"recompute" example:"barward assay recompute quillmoss/R-31"`
	Accept      offlineCmd     `cmd:"" help:"Whether one laboratory's results agree, and what is quoted or how many more to take. JSON in and out." offline:"replicates" example:"barward assay accept --file replicates.json"`
	Parting     offlineCmd     `cmd:"" help:"Silver to add for parting (inquartation), and the size of the sample. JSON in and out." offline:"parting" example:"barward assay parting --file parting.json"`
	Homogeneity offlineCmd     `cmd:"" help:"Whether a bar is alike throughout: top against bottom, drill against dip and pin. JSON in and out." offline:"homogeneity" example:"barward assay homogeneity --file positions.json"`
	Blend       offlineCmd     `cmd:"" help:"Fineness of a whole that was assayed in parts, such as metal and dross. JSON in and out." offline:"blend" example:"barward assay blend --file parts.json"`
	Score       offlineCmd     `cmd:"" help:"Laboratories against each other: z, z′, zeta, En, critical difference, robust mean. JSON in and out." offline:"scores" example:"barward assay score --file round-robin.json"`
	List        listCmd        `cmd:"" help:"List samples with the number of reports on each; 'sample show' has the reports." thing:"sample" example:"barward assay list"`
	Show        showCmd        `cmd:"" help:"Show the reports on a sample." thing:"sample" example:"barward assay show S-1"`
}

type assayReport struct {
	Number  string   `arg:"" help:"Number of the report."`
	Results []string `arg:"" optional:"" help:"element=fineness in parts per thousand (or with % or g/t)." placeholder:"Au=812.3"`
	Sample  string   `required:"" help:"Sample."`
	Method  string   `help:"Method, in words."`
	File    string   `help:"Results as CSV (element, fineness), or the raw worksheet as JSON, kept with the report." type:"path"`
}

// Run records the report. A worksheet is computed here first, so that one that does not hold is not signed.
func (c *assayReport) Run(a *app) error {
	event := &pb.AssayReported{AssayId: c.Number, Method: c.Method}
	var err error
	if event.Sample, err = a.ref(c.Sample); err != nil {
		return err
	}
	if event.Results, err = resultsOf(c.Results); err != nil {
		return err
	}
	switch {
	case strings.HasSuffix(strings.ToLower(c.File), ".json"):
		text, err := a.input(c.File)
		if err != nil {
			return err
		}
		computed, err := reckoning.Worksheet(text)
		if err != nil {
			return err
		}
		say(a.complain, "%s\n", computed.Words)
		event.WorksheetJson = string(text)
	case c.File != "":
		rows, err := a.readRows(c.File, []string{"element", "fineness"}, nil)
		if err != nil {
			return err
		}
		for _, r := range rows {
			result, err := resultOf(r.cells["element"], r.cells["fineness"])
			if err != nil {
				return r.wrong("fineness", err)
			}
			event.Results = append(event.Results, result)
		}
	}
	if len(event.GetResults()) == 0 && event.GetWorksheetJson() == "" {
		return refusal.Invalidf("RESULTS_MISSING", "results",
			"A report has at least one result. Give Au=812.44 and so on, or --file.")
	}
	return a.record(event)
}
