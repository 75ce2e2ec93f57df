package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"time"
)

// desks opens one desk for each party that has work at one, on free ports of this machine, and tells where. What it
// returns closes them.
func (p *player) desks(ctx context.Context) (func() error, error) {
	var ends []func() error
	end := func() (err error) {
		for _, one := range slices.Backward(ends) {
			err = errors.Join(err, one())
		}
		return err
	}
	fmt.Fprintf(p.out, "\nA desk for each party, in a browser on this machine; the passphrase of everybody is\n\n  %s\n\n", passphrase)
	for _, party := range p.parties() {
		address, one, err := p.desk(ctx, party)
		if err != nil {
			return nil, errors.Join(err, end())
		}
		ends = append(ends, one)
		fmt.Fprintf(p.out, "  %-12s %-26s %s\n", party, address, strings.Join(p.named(party), ", "))
	}
	return end, nil
}

// parties lists the parties in the order of people.csv, without the operator, who has no hand in metal.
func (p *player) parties() (parties []string) {
	for _, who := range p.order[1:] {
		if party := p.people[who].party; !slices.Contains(parties, party) {
			parties = append(parties, party)
		}
	}
	return parties
}

// of lists a party's people.
func (p *player) of(party string) (people []person) {
	for _, who := range p.order {
		if one := p.people[who]; one.party == party {
			people = append(people, one)
		}
	}
	return people
}

func (p *player) named(party string) (names []string) {
	for _, one := range p.of(party) {
		names = append(names, one.name)
	}
	return names
}

// desk starts the desk of a party and waits until it serves its pages.
func (p *player) desk(ctx context.Context, party string) (address string, end func() error, err error) {
	home, ready := p.path("desk", party), p.path("desk", party+".json")
	if err := os.MkdirAll(home, 0o700); err != nil {
		return "", nil, err
	}
	logs, err := os.Create(p.path("desk", party+".log"))
	if err != nil {
		return "", nil, err
	}
	args := []string{"desk", "--listen", "127.0.0.1:0", "--ready-file", ready, "--idle", "1h"}
	people := p.of(party)
	for _, one := range people {
		args = append(args, "--keys", p.key(one.id))
	}
	command := exec.Command(p.path("bin", "barward"), args...)
	command.Env = append(os.Environ(), "BARWARD_SERVER="+p.address, "BARWARD_HOME="+home, "BARWARD_KEY=",
		"BARWARD_LOG_KEY="+p.logKey, "BARWARD_PLACE="+people[0].place)
	command.Stdout, command.Stderr = logs, logs
	if err := command.Start(); err != nil {
		return "", nil, errors.Join(err, logs.Close())
	}
	ended := make(chan error, 1)
	go func() { ended <- command.Wait() }()
	end = func() error {
		defer logs.Close()
		_ = command.Process.Signal(os.Interrupt) // it may have ended by the same interrupt
		select {
		case err := <-ended:
			return err
		case <-time.After(20 * time.Second):
			return errors.Join(fmt.Errorf("the desk of %s did not end when asked", party), command.Process.Kill())
		}
	}
	for {
		if text, err := os.ReadFile(ready); err == nil {
			var said struct {
				Address string `json:"address"`
			}
			if err := json.Unmarshal(text, &said); err != nil {
				return "", nil, errors.Join(err, end())
			}
			return said.Address, end, nil
		}
		select {
		case err := <-ended:
			return "", nil, fmt.Errorf("the desk of %s ended at once (%w); see %s", party, err, logs.Name())
		case <-ctx.Done():
			return "", nil, errors.Join(ctx.Err(), end())
		case <-time.After(20 * time.Millisecond):
		}
	}
}
