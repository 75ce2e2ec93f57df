package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/alecthomas/kong"

	"barward/internal/reckoning"
	"barward/internal/settlement"
)

// offlineCmd computes from a file of figures, without a service: JSON in and out. Which computation, its tag says.
type offlineCmd struct {
	File string `required:"" help:"The figures, JSON; - for standard input." type:"path"`
}

// offline are the computations of the pure rooms that run from figures alone, by the tag of their command.
var offline = reckoning.Compute

// Run computes and shows.
func (c *offlineCmd) Run(a *app, chosen *kong.Context) error {
	return a.compute(chosen.Selected().Tag.Get("offline"), c.File)
}

func (a *app) compute(which, file string) error {
	text, err := a.input(file)
	if err != nil {
		return err
	}
	answer, err := offline[which](text)
	if err != nil {
		return err
	}
	if a.g.Output == "json" {
		return a.showValue(answer)
	}
	if s, ok := answer.(settlement.Statement); ok {
		return a.showSettlement(s)
	}
	return a.showFigures(answer)
}

// shownDigits bounds the figures of a statistic as it is shown; JSON has all of them.
const shownDigits = 12

// showFigures prints any figures line by line, in the order in which their JSON has them; the words come first.
func (a *app) showFigures(v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	figures, err := flatten(text)
	if err != nil {
		return err
	}
	if a.g.Output == "csv" {
		t := table{columns: []string{"figure", "value"}}
		for _, f := range figures {
			t.add(f.label, f.value)
		}
		return a.showTable(t)
	}
	width := 0
	for _, f := range figures {
		if said(f.label) {
			say(a.out, "%s\n", printable(f.value))
		}
		width = max(width, utf8.RuneCountInString(f.label))
	}
	for _, f := range figures {
		if !said(f.label) {
			say(a.out, "%-*s  %s\n", width, f.label, printable(f.value))
		}
	}
	return nil
}

// said reports whether a figure is the words of the whole answer.
func said(label string) bool {
	return label == "words" || label == "verdict" || strings.HasPrefix(label, "words[")
}

// flatten turns JSON into paths and values in their order, numbers as they are written.
func flatten(text []byte) (figures []field, err error) {
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	var value func(path string) error
	value = func(path string) error {
		token, err := d.Token()
		if err != nil {
			return err
		}
		switch token {
		case json.Delim('{'):
			for d.More() {
				name, err := d.Token()
				if err != nil {
					return err
				}
				if err := value(strings.TrimPrefix(path+"."+fmt.Sprint(name), ".")); err != nil {
					return err
				}
			}
			_, err = d.Token()
		case json.Delim('['):
			for i := 0; d.More(); i++ {
				if err := value(fmt.Sprintf("%s[%d]", path, i)); err != nil {
					return err
				}
			}
			_, err = d.Token()
		case nil:
		default:
			text := fmt.Sprint(token)
			if n, ok := token.(json.Number); ok && len(text) > shownDigits {
				// Only statistics come as numbers, and their last digits say nothing; what moves metal or money is text.
				if f, err := n.Float64(); err == nil {
					text = strconv.FormatFloat(f, 'g', shownDigits-2, 64)
				}
			}
			figures = append(figures, field{path, text})
		}
		return err
	}
	if err := value(""); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	return figures, nil
}

type weighingCmd struct {
	Compare     offlineCmd `cmd:"" help:"Compare two weighings of one bar: difference, what air buoyancy explains of it, uncertainty, verdict. JSON in and out." offline:"weighings" example:"barward weighing compare --file weighings.json"`
	Uncertainty offlineCmd `cmd:"" help:"Uncertainty of a fine mass by contribution: what is worth improving. JSON in and out." offline:"fine_mass" example:"barward weighing uncertainty --file fine-mass.json"`
}
