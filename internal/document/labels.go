package document

import (
	"strconv"
	"strings"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Labels are printed several on a page, with frames to cut along. They have no room to wrap without end: the largest
// type that holds the text is taken, and a text that no readable type holds is refused.

const (
	labelFoot   = 6.0  // of the page
	smallHeight = 55.0 // of a label for a bar or a packet
	leastType   = 5.5  // points
)

// BarLabel is one bar to be labelled.
type BarLabel struct {
	Bar   *pb.Bar
	Proof Proof // of the bar's pour; the paper's where it is zero
}

// BoxLabel is one box to be labelled.
type BoxLabel struct {
	Box       *pb.Box
	Consignee string // party id of the refinery; may be empty
	SSCC      SSCC   // zero where the company has no GS1 prefix
	Proof     Proof  // of the box's packing; the paper's where it is zero
}

// BarLabels prints a label for each bar: its mark large, its name as Code 128, where it comes from, its weight at the
// pour.
func BarLabels(p Paper, bars []BarLabel) ([]byte, error) {
	for i, l := range bars {
		if l.Bar.GetName() == "" {
			return nil, incomplete("bars["+strconv.Itoa(i)+"]", "A label needs its bar.")
		}
	}
	return labels(p, "Bar labels", len(bars), 2, smallHeight, func(s *sheet, i int, x, y, w, h float64) {
		bar, proof := bars[i].Bar, orProof(bars[i].Proof, p.Proof)
		weight := lastWeight(bar, pb.WeighingStage_WEIGHING_STAGE_POUR)
		poured := ""
		if step := lastStep(bar, "poured"); step != nil {
			poured = instant(step.GetOccurredAt())
		}
		s.small(x, y, w, h, "Bar", short(bar.GetName()), bar.GetName(), proof, []field{
			{"bar", bar.GetName()}, {"poured by", p.name(bar.GetParty())}, {"pour", bar.GetPour()}, {"when", poured},
			{"weight", weight.GetMass()},
		})
	})
}

// PacketLabels prints a label for each sealed packet of a sample, with the number of its seal as Code 128.
func PacketLabels(p Paper, sample *pb.Sample) ([]byte, error) {
	taken := sample.GetTaken()
	packets := taken.GetPackets()
	if len(packets) == 0 {
		return nil, incomplete("sample", "Sample %s has no packets on record.", refusal.Quote(sample.GetName()))
	}
	return labels(p, "Sample packet labels", len(packets), 2, smallHeight, func(s *sheet, i int, x, y, w, h float64) {
		packet := packets[i]
		seal := packet.GetSeal()
		if seal == "" {
			seal = "NO SEAL: may not go to an umpire"
		}
		holder := "Packet, its holder not recorded"
		if packet.GetHolder() != pb.PacketHolder_PACKET_HOLDER_UNSPECIFIED {
			holder = "Packet for the " + word(packet.GetHolder(), "PACKET_HOLDER_")
		}
		s.small(x, y, w, h, holder, packet.GetPacketId(),
			packet.GetSeal(), p.Proof, []field{
				{"seal", seal}, {"sample", sample.GetName()}, {"of", taken.GetSource()},
				{"method", word(taken.GetMethod(), "SAMPLE_METHOD_")}, {"taken by", p.name(sample.GetParty())},
				{"when", instant(sample.GetTakenAt())},
			})
	})
}

// BoxLabels prints a label for each box. It bears no content and no value, because everybody on the way sees it. With
// a GS1 company prefix the box has an SSCC in a GS1-128; without one it has its own number in a Code 128 and no SSCC.
func BoxLabels(p Paper, boxes []BoxLabel) ([]byte, error) {
	for i, l := range boxes {
		if l.Box.GetName() == "" {
			return nil, incomplete("boxes["+strconv.Itoa(i)+"]", "A label needs its box.")
		}
	}
	_, height, _ := p.Size.dimensions()
	return labels(p, "Box labels", len(boxes), 2, (height-2*8-labelFoot)/2, func(s *sheet, i int, x, y, w, h float64) {
		box, proof := boxes[i].Box, orProof(boxes[i].Proof, p.Proof)
		const pad, qrSide = 3.0, 30.0
		inner := w - 2*pad
		s.textAt(x+pad, y+pad, smallStyle, "Box")
		s.stampAt(x+w-pad, y+pad, stamps(withProof(p, proof), nil))
		s.fitAt(x+pad, y+pad+6, inner, 14, bold, 26, short(box.GetName()))
		s.factsAt(x+pad, y+pad+20, inner, 30, []field{
			{"box", box.GetName()}, {"from", p.name(box.GetParty())}, {"to", p.name(boxes[i].Consignee)},
			{"consignment", box.GetConsignment()}, {"seals", strings.Join(box.GetSeals(), ", ")},
			{"gross", lastOf(box.GetWeights(), nil).GetMass()},
		})
		top := y + pad + 51
		if code := boxes[i].SSCC; code.Known() {
			s.gs1At(x+pad, top, inner, gs1BarHeight, "00"+code.String())
			st := style{mono, 10}
			text := "SSCC " + code.Readable()
			s.textAt(x+(w-s.measure(st, text))/2, top+gs1BarHeight+0.8, st, text)
		} else {
			s.numberAt(x+pad, top, inner, 24, box.GetName())
		}
		s.proofAt(x+pad, y+h-pad-qrSide, inner, qrSide, proof,
			"Heavy: two persons or a lifting aid. Do not open the seals without a second person.")
	})
}

func orProof(own, papers Proof) Proof {
	if own.Recorded() {
		return own
	}
	return papers
}

func withProof(p Paper, proof Proof) Paper {
	p.Proof = proof
	return p
}

// labels places count labels in columns of a height, and prints the page's number under them.
func labels(p Paper, title string, count, columns int, height float64,
	draw func(s *sheet, i int, x, y, w, h float64)) ([]byte, error) {
	if count == 0 {
		return nil, incomplete("labels", "There is nothing to label.")
	}
	if count > maxLabels {
		return nil, tooLong("labels", "At most %d labels are printed at once, not %d. Print them in parts.", maxLabels, count)
	}
	s, err := newBare(p, title)
	if err != nil {
		return nil, err
	}
	width := s.inner() / float64(columns)
	rows := int((s.height - 2*s.margin - labelFoot + 0.01) / height)
	for i := range count {
		at := i % (columns * rows)
		if at == 0 {
			s.newPage()
		}
		x, y := s.margin+float64(at%columns)*width, s.margin+float64(at/columns)*height
		s.frameAt(x, y, width, height, 0.1)
		draw(s, i, x, y, width, height)
		if s.err != nil {
			return nil, refusal.In(s.err, "labels["+strconv.Itoa(i)+"]")
		}
	}
	return s.output()
}

// small is a label of a bar or a packet: what, its number large, facts, a QR code, and a Code 128 along the foot.
func (s *sheet) small(x, y, w, h float64, what, big, code string, proof Proof, facts []field) {
	if err := s.checkProof(proof); err != nil {
		return
	}
	const pad, qrSide, bars = 2.5, 25.0, 15.0
	left := w - 3*pad - qrSide
	s.textAt(x+pad, y+pad, smallStyle, what)
	s.stampAt(x+w-pad, y+pad, stamps(withProof(s.paper, proof), nil))
	s.fitAt(x+pad, y+pad+4, left, 9, bold, 18, big)
	s.factsAt(x+pad, y+pad+13.5, left, h-2*pad-13.5-bars-1, facts)
	if proof.Recorded() {
		s.qrAt(x+w-pad-qrSide, y+pad+6, qrSide, proof.VerificationText())
	}
	if code != "" {
		s.numberAt(x+pad, y+h-pad-bars, w-2*pad, bars, code)
	}
}

func (s *sheet) checkProof(proof Proof) error {
	err := proof.check()
	if err != nil {
		s.fail(err)
	}
	return err
}

// numberAt is a Code 128 with its text under it: the whole name where it fits, or the number as it stands on the
// thing.
func (s *sheet) numberAt(x, y, width, height float64, name string) {
	const under = 4.0
	for _, text := range []string{name, short(name)} {
		if s.err != nil {
			return
		}
		if s.code128At(x, y, width, height-under, bestModule, text) {
			st := style{mono, 8}
			for s.measure(st, text) > width && st.size > leastType {
				st.size -= 0.5
			}
			s.textAt(x+(width-s.measure(st, text))/2, y+height-under+0.3, st, text)
			return
		}
	}
	s.fail(refusal.Invalidf("DOCUMENT_BARCODE", "", "%s is too long for a barcode of %.0f mm that a scanner reads.",
		refusal.Quote(name), width))
}

// stampAt writes the marks of a label against its right edge.
func (s *sheet) stampAt(right, y float64, marks []string) {
	st := style{bold, 7.5}
	text := strings.Join(marks, ", ")
	s.textAt(right-s.measure(st, text), y, st, text)
}

// fitAt sets a text as large as its box holds, from most points down.
func (s *sheet) fitAt(x, y, w, h float64, face string, most float64, text string) {
	if err := within("label", text, maxName); err != nil {
		s.fail(err)
		return
	}
	text = printable(or(text))
	for size := most; size >= leastType; size -= 0.5 {
		st := style{face, size}
		lines := s.wrap(st, text, w)
		if float64(len(lines))*st.lead() <= h {
			s.linesAt(x, y, st, lines)
			return
		}
	}
	s.fail(refusal.Invalidf("DOCUMENT_LABEL_TOO_FULL", "label", "%s does not go on the label in a type that can be read.",
		refusal.Quote(text)))
}

// factsAt sets facts under each other in the largest type in which all of them go into the box.
func (s *sheet) factsAt(x, y, w, h float64, facts []field) {
	for _, f := range facts {
		if err := within(f.label, f.value, maxName); err != nil {
			s.fail(err)
			return
		}
	}
	for size := 9.0; size >= leastType; size -= 0.5 {
		st, names := style{regular, size}, 0.0
		for _, f := range facts {
			names = max(names, s.measure(st, f.label)+2)
		}
		laid, lines := make([][]string, len(facts)), 0
		for i, f := range facts {
			laid[i] = s.wrap(st, printable(or(f.value)), w-names)
			lines += len(laid[i])
		}
		if float64(lines)*st.lead() > h {
			continue
		}
		for i, f := range facts {
			s.textAt(x, y, st, f.label)
			s.linesAt(x+names, y, st, laid[i])
			y += float64(len(laid[i])) * st.lead()
		}
		return
	}
	s.fail(refusal.Invalidf("DOCUMENT_LABEL_TOO_FULL", "label", "The label's facts are too long for it in a type that "+
		"can be "+
		"read. Print a sheet instead, or shorten the names."))
}

// proofAt is the foot of a box label: a caution, the ledger reference and the QR code.
func (s *sheet) proofAt(x, y, w, side float64, proof Proof, caution string) {
	if err := s.checkProof(proof); err != nil {
		return
	}
	left := w
	if proof.Recorded() {
		left = w - side - 2
		s.qrAt(x+w-side, y, side, proof.VerificationText())
	}
	s.fitAt(x, y, left, side/2, bold, 9, "CAUTION "+caution)
	reference := "In no ledger yet: nothing on this label is proved."
	if proof.Recorded() {
		reference = "Ledger " + proof.Origin + ", entry " + strconv.FormatUint(proof.Entries[0], 10) +
			". To check it: barward ledger verify-inclusion " + strconv.FormatUint(proof.Entries[0], 10)
	}
	s.fitAt(x, y+side/2, left, side/2, regular, 7.5, reference)
}
