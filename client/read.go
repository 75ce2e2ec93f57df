package main

import (
	"strings"

	"github.com/alecthomas/kong"
	"google.golang.org/protobuf/proto"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// listCmd lists things of one kind. Which kind, the command's noun says, or its tag `thing`.
type listCmd struct {
	Filter    string `help:"Such as 'state = \"RECEIVED\" AND consignment = \"ottermere/C-7\"'." placeholder:"EXPR"`
	PageSize  int32  `help:"Things a page, 1 to 500." default:"50"`
	PageToken string `help:"Where the page before ended."`
	All       bool   `help:"Every page."`
}

// Run lists.
func (c *listCmd) Run(a *app, chosen *kong.Context) error {
	kind := thingOf(chosen)
	if err := a.openBox(); err != nil {
		return err
	}
	var things []*pb.Thing
	next := c.PageToken
	for {
		page, err := a.station.Page(a.ctx, kind, c.Filter, next, c.PageSize)
		if err != nil {
			return err
		}
		things = append(things, page.GetThings()...)
		if next = page.GetNextPageToken(); next == "" || !c.All {
			break
		}
	}
	if err := a.showThings(kind, things); err != nil {
		return err
	}
	if next != "" {
		say(a.complain, "There are more: --page-token %s, or --all.\n", next)
	}
	return nil
}

// showCmd shows one thing.
type showCmd struct {
	Name string `arg:"" help:"Its number (ours), or party/number."`
}

// Run shows.
func (c *showCmd) Run(a *app, chosen *kong.Context) error {
	kind := thingOf(chosen)
	thing, err := a.get(kind, c.Name)
	if err != nil {
		return err
	}
	return a.showThing(kind, thing)
}

// thingOf returns the kind of thing that a command is about.
func thingOf(chosen *kong.Context) pb.ThingKind {
	node := chosen.Selected()
	word := node.Tag.Get("thing")
	if word == "" {
		word = node.Parent.Name
	}
	return pb.ThingKind(pb.ThingKind_value["THING_KIND_"+strings.ToUpper(word)])
}

// inside returns the message inside a Thing.
func inside(thing *pb.Thing) proto.Message {
	m := thing.ProtoReflect()
	field := m.WhichOneof(m.Descriptor().Oneofs().ByName("thing"))
	if field == nil {
		return thing
	}
	return m.Get(field).Message().Interface()
}

// choose reads one word as the value of an enum, as `half-way words` of its names: `mine` for PARTY_KIND_MINE.
func choose(values map[string]int32, prefix, word, flag string) (int32, error) {
	name := prefix + strings.ToUpper(strings.NewReplacer("-", "_", " ", "_").Replace(word))
	if v, ok := values[name]; ok && v != 0 {
		return v, nil
	}
	return 0, refusal.Invalidf("CHOICE_UNKNOWN", flag, "%q is none of %s.", word, strings.Join(choices(values,
		prefix), ", "))
}
