package station

import (
	"fmt"
	"slices"
	"strings"

	"barward/internal/custody"
	pb "barward/proto/barward/v1"
)

// Seals are read off the box and then set against the record, at the taking over and at the opening alike. What is on
// record is not named before it is read: who knows what to read reads it.

// sealsRead answers seals that were just read off a box: now of all that were read off it, against those on record. It
// is Good only where every one was read and none is extra.
func sealsRead(box string, on, all, now []string) Verdict {
	missing, extra := custody.CompareSeals(on, all)
	var agreed, unknown []string
	for _, seal := range now {
		if slices.Contains(extra, seal) {
			unknown = append(unknown, seal)
		} else {
			agreed = append(agreed, seal)
		}
	}
	var said []string
	if len(agreed) > 0 {
		said = append(said, strings.Join(agreed, " ")+verb(len(agreed), " agrees", " agree"))
	}
	if len(missing) > 0 {
		said = append(said, fmt.Sprintf("box %s has %d more", Short(box), len(missing)))
	}
	switch {
	case len(now) == 0:
		return Glance(Wrong, "SEAL", "type seal and its number; nothing was taken")
	case len(unknown) > 0:
		said = slices.Insert(said, min(1, len(agreed)), strings.Join(unknown, " ")+
			verb(len(unknown), " is no seal", " are no seals")+" on record of box "+Short(box))
		return Glance(Wrong, "SEAL", "%s. If it is what you read, go on: it is signed as read, and flagged; else undo",
			strings.Join(said, "; "))
	case len(extra) > 0:
		return Glance(Note, "SEAL", "%s; %s%s still extra on box %s", strings.Join(said, "; "), strings.Join(extra, " "),
			verb(len(extra), " is", " are"), Short(box))
	case len(missing) > 0:
		return Glance(Note, "SEAL", "%s", strings.Join(said, "; "))
	}
	return Glance(Good, "SEALS", "box %s, %s", Short(box), AllAgree(len(on)))
}

// AllAgree says of n seals, all that are on record, that they were read.
func AllAgree(n int) string {
	switch n {
	case 0:
		return "no seal is on record and none was read"
	case 1:
		return "its seal agrees"
	}
	return fmt.Sprintf("all %d agree", n)
}

// notRead says how many seals on record were not read off a box; empty where none is left.
func notRead(box string, on, read []string) string {
	missing, _ := custody.CompareSeals(on, read)
	if len(missing) == 0 {
		return ""
	}
	return fmt.Sprintf("%s: %d %s not read", Short(box), len(missing), verb(len(missing), "seal", "seals"))
}

func verb(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// packedSeals are the seals that were put on a box, by its route: at the packing, and those that replaced one since.
// What somebody else read off it does not change them.
func packedSeals(route []*pb.RouteStep) (seals []string) {
	for _, step := range route {
		switch step.GetAction() {
		case "packed":
			seals = slices.Clone(step.GetSeals())
		case "seal_replaced":
			if removed, _, ok := strings.Cut(step.GetNote(), " taken off: "); ok {
				seals = slices.DeleteFunc(seals, func(seal string) bool { return seal == removed })
			}
			seals = append(seals, step.GetSeals()...)
		}
	}
	return seals
}

// DiffersFromPacking says of seals that agree with what was read at the last hand-off that they are not those of the
// packing, and which discrepancy of the box is open about it; empty where they are, or where the packing is not known.
func (d *Door) DiffersFromPacking(box string, read []string) string {
	missing, unknown := custody.CompareSeals(d.Packed[box], read)
	if len(d.Packed[box]) == 0 || len(missing)+len(unknown) == 0 {
		return ""
	}
	words := verb(len(read), "its seal agrees", "its seals agree") + " with the taking over, not with the packing"
	if open := d.Open[box]; len(open) > 0 {
		words += "; " + strings.Join(open, ", ") + verb(len(open), " is open", " are open")
	}
	return words
}

// known reports whether a seal is on record of any box of the consignment.
func (d *Door) known(seal string) bool {
	for _, of := range []map[string][]string{d.Seals, d.Packed} {
		for _, seals := range of {
			if slices.Contains(seals, seal) {
				return true
			}
		}
	}
	return false
}

// emptied reports whether a bar came out of a box already.
func (d *Door) emptied(box string) bool {
	return slices.ContainsFunc(d.Scans, func(s custody.Scan) bool { return s.Box == box })
}
