package desk

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "barward/proto/barward/v1"
)

// bodyOf returns the body of an event, nil where there is none.
func bodyOf(event *pb.Event) proto.Message {
	m := event.ProtoReflect()
	field := m.WhichOneof(m.Descriptor().Oneofs().ByName("body"))
	if field == nil {
		return nil
	}
	return m.Get(field).Message().Interface()
}

// aboutEvent says in a few words what an event is about: its own number and what it names first.
func aboutEvent(event *pb.Event) string {
	switch b := bodyOf(event).(type) {
	case nil:
		return ""
	case *pb.PourRecorded:
		return fmt.Sprintf("pour %s, %s", b.GetPourId(), count(len(b.GetBars()), "bar"))
	case *pb.BoxPacked:
		return fmt.Sprintf("box %s, %s", b.GetBoxId(), count(len(b.GetBars()), "bar"))
	case *pb.ConsignmentAdvised:
		return fmt.Sprintf("consignment %s, %s", b.GetConsignmentId(), count(len(b.GetBoxes()), "box"))
	case *pb.Released:
		return fmt.Sprintf("consignment %s to %s", b.GetConsignment(), b.GetToParty())
	case *pb.Countersigned:
		return "an entry signed by somebody else"
	default:
		return firstTexts(b.ProtoReflect())
	}
}

// firstTexts are the first two texts of a message that say something: by their order in the protos, its number and what
// it is about.
func firstTexts(m protoreflect.Message) string {
	var texts []string
	fields := m.Descriptor().Fields()
	for i := 0; i < fields.Len() && len(texts) < 2; i++ {
		f := fields.Get(i)
		if f.Kind() == protoreflect.StringKind && !f.IsList() {
			if text := m.Get(f).String(); text != "" && len(text) <= 80 {
				texts = append(texts, text)
			}
		}
	}
	return strings.Join(texts, ", ")
}
