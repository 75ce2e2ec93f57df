package desk

import (
	"net/url"
	"slices"
	"strings"

	"barward/client/station"
	"barward/internal/identity"
	pb "barward/proto/barward/v1"
)

// lately is how many things a room lists of those that came last.
const lately = 8

// sample is the page on which a sample and its sealed packets are recorded, in the gold room and at the bay. Afterwards
// it leads back to where it came from, with the labels to be printed.
func (v *visit) sample() error {
	f := v.form()
	f.Set("source", v.r.URL.Query().Get("source"))
	f.Set("back", v.r.URL.Query().Get("back"))
	of, usual := "bar or pour", [][2]string{{"P1", "SELLER"}, {"P2", "RESERVE"}}
	if v.seat.Kind == identity.Refinery {
		of, usual = "lot", [][2]string{{"P1", "SELLER"}, {"P2", "REFINER"}, {"P3", "UMPIRE"}}
	}
	if v.posted() {
		body := v.sampleTaken(f, of)
		if f.Good() {
			err := v.sign(f, "Sample "+body.GetSampleId(), body)
			if err == nil {
				v.d.tell(flash{Kind: "notice", Text: "Put a label on each packet of " + body.GetSampleId() + " now:",
					Links: []Option{{Value: packetsPath(v.seat.Party + "/" + body.GetSampleId()), Text: "Print the packet labels"}}})
				back := v.room.Path
				if to := local(f.Get("back")); to != "/" {
					back = to
				}
				return v.redirect(back)
			}
			if !f.refuse(err) {
				return err
			}
			f.aloud("sample_id", "source", "method", "positions", "mass")
		}
		v.status = 422
	}
	if len(f.All("packet_id")) == 0 {
		for _, packet := range usual {
			f.values.Add("packet_id", packet[0])
			f.values.Add("seal", "")
			f.values.Add("holder", packet[1])
		}
	}
	type packetRow struct{ Number, Seal, Holder string }
	var rows []packetRow
	ids, seals, holders := f.All("packet_id"), f.All("seal"), f.All("holder")
	for i := range ids {
		if i < len(seals) && i < len(holders) {
			rows = append(rows, packetRow{ids[i], seals[i], holders[i]})
		}
	}
	bars, seen, err := v.barsAtHand()
	if err != nil {
		return err
	}
	return v.show("goldroom_sample.html", "Take a sample", map[string]any{"Form": f, "Room": v.room, "Of": of,
		"Rows": rows, "Bars": bars, "Seen": seen, "Lately": v.samplesLately(),
		"Methods": append([]Option{{Text: "Choose how it was taken"}},
			enumOptions(pb.SampleMethod_name, "SAMPLE_METHOD_")...),
		"Holders": enumOptions(pb.PacketHolder_name, "PACKET_HOLDER_")})
}

func packetsPath(name string) string {
	party, number, _ := cutName(name)
	return "/papers/packets/" + party + "/" + url.PathEscape(number) + ".pdf"
}

// samplesLately are the party's last samples, the latest first, whose packets may still want their labels.
func (v *visit) samplesLately() (list []Option) {
	things, _, err := v.collect(pb.ThingKind_THING_KIND_SAMPLE, filterOf("party", v.seat.Party))
	if err != nil {
		return nil // without the list a sample can still be recorded
	}
	for _, thing := range slices.Backward(things) {
		if len(list) < lately {
			name := thing.GetSample().GetName()
			list = append(list, Option{Value: packetsPath(name), Text: shortName(v.seat.Party, name)})
		}
	}
	return list
}

func (v *visit) sampleTaken(f *Form, of string) *pb.SampleTaken {
	body := &pb.SampleTaken{SampleId: f.need("sample_id", "Give the sample its number."),
		Source: station.Beside(v.seat.Party+"/", f.need("source", "Say which "+of+" it was taken from.")),
		Method: pb.SampleMethod(pb.SampleMethod_value["SAMPLE_METHOD_"+f.need("method",
			"Say how it was taken.")]), Mass: f.massOf("mass")}
	for _, position := range strings.Split(f.Get("positions"), ",") {
		if position = strings.TrimSpace(position); position != "" {
			body.Positions = append(body.Positions, position)
		}
	}
	ids, seals, holders := f.All("packet_id"), f.All("seal"), f.All("holder")
	for i := range ids {
		if i >= len(seals) || i >= len(holders) || ids[i] == "" && seals[i] == "" {
			continue
		}
		body.Packets = append(body.Packets, &pb.Packet{PacketId: ids[i], Seal: seals[i],
			Holder: pb.PacketHolder(pb.PacketHolder_value["PACKET_HOLDER_"+holders[i]])})
	}
	return body
}

// enumOptions are the values of a choice of the protos, in words and in their order.
func enumOptions(names map[int32]string, prefix string) (options []Option) {
	for i := int32(1); int(i) < len(names); i++ {
		name := strings.TrimPrefix(names[i], prefix)
		options = append(options, Option{Value: name, Text: strings.ToLower(strings.ReplaceAll(name, "_", " "))})
	}
	return options
}
