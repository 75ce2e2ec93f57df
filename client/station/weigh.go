package station

import (
	"context"
	"fmt"
	"strings"

	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// Balance returns a balance from the service, or as it was last seen where there is no link.
func (s *Station) Balance(ctx context.Context, name string) (*weighing.Balance, error) {
	if name == "" {
		return nil, refusal.Invalidf("BALANCE_MISSING", "balance", "no balance was named")
	}
	file := "balances/" + strings.ReplaceAll(name, "/", "+") + ".json"
	thing, err := s.Get(ctx, pb.ThingKind_THING_KIND_BALANCE, name)
	if err == nil {
		b, err := BalanceOf(thing.GetBalance().GetRegistered())
		if err != nil {
			return nil, err
		}
		return &b, s.home.WriteJSON(file, b)
	}
	if !Unreachable(err) {
		return nil, err
	}
	var kept weighing.Balance
	if found, broken := s.home.ReadJSON(file, &kept); broken != nil || !found {
		return nil, err
	}
	return &kept, nil
}

// BalanceOf reads a registered balance into the terms of its room.
func BalanceOf(r *pb.BalanceRegistered) (weighing.Balance, error) {
	b := weighing.Balance{Class: weighing.Class(r.GetAccuracyClass()), CheckEvery: int(r.GetCheckEveryDays())}
	for _, m := range []struct {
		text string
		into *quantity.Mass
	}{{r.GetCapacity(), &b.Capacity}, {r.GetReadability(), &b.Readability}, {r.GetVerificationInterval(),
		&b.Interval}, {r.GetRepeatability(), &b.Repeatability}} {
		var err error
		if *m.into, err = quantity.ParseMass(m.text); err != nil {
			return b, err
		}
	}
	return b, nil
}

// Judge puts readings (at least one, masses with their unit) to the rules of the balance; the words are empty
// where they agree. Without a known balance there is no readability to bring a mean to, and the first reading
// stands in the total.
func Judge(b *weighing.Balance, readings []string) (weighing.Weight, string) {
	var masses []quantity.Mass
	for _, r := range readings {
		m, err := quantity.ParseMass(r)
		if err != nil {
			return weighing.Weight{}, err.Error()
		}
		masses = append(masses, m)
	}
	if b == nil {
		return weighing.Weight{Mass: masses[0], Readings: masses}, ""
	}
	weight, err := weighing.Read(*b, masses)
	if err != nil {
		return weighing.Weight{Mass: masses[0], Readings: masses}, Sentence(err)
	}
	if !weight.Agree {
		return weight, fmt.Sprintf("the readings are %s apart, above the repeatability of %s", weight.Spread,
			b.Repeatability)
	}
	return weight, ""
}

// Readable puts readings to the balance: refused is what it cannot have shown. Readings that disagree are not refused.
func Readable(b *weighing.Balance, readings []string) (words string, refused bool) {
	var masses []quantity.Mass
	for _, r := range readings {
		m, err := quantity.ParseMass(r)
		if err != nil {
			return TextOf(err), true
		}
		masses = append(masses, m)
	}
	if _, err := weighing.Read(*b, masses); err != nil {
		return TextOf(err), true
	}
	return "", false
}

// MassOf completes a mass that was written without a unit with the one that was named; none is ever assumed.
func MassOf(text, unit string) (string, error) {
	text = strings.TrimSpace(text)
	if _, err := quantity.ParseDecimal(text); err == nil {
		if unit == "" {
			return "", refusal.Invalidf("UNIT_MISSING", "",
				"%q has no unit; write it as %s g, or name the unit of all with --unit", text, text)
		}
		text += " " + unit
	}
	m, err := quantity.ParseMass(text)
	return m.String(), err
}

// MassesOf is MassOf of several.
func MassesOf(texts []string, unit string) ([]string, error) {
	full := make([]string, len(texts))
	for i, text := range texts {
		var err error
		if full[i], err = MassOf(text, unit); err != nil {
			return nil, err
		}
	}
	return full, nil
}
