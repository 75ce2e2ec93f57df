// Command table passes benchmark results through and adds, at the end, what each row of the promised table came to: the
// ratio that was measured, what it must reach, and whether it does. `make bench` runs it.
package main

import (
	"bufio"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
)

// A row is one promise. With other, its value is metric of bench over metric of other.
type row struct {
	what                 string
	bench, other, metric string
	atLeast, atMost      float64 // 0: no such bound
}

var rows = []row{
	{"append, 64 writers, full book: rate over SQLite's", "Append", "", "of-sqlite", 1.5, 0},
	{"  over PostgreSQL's", "Append", "", "of-postgres", 1, 0},
	{"  over bare bbolt puts", "Append", "", "of-bare-puts", 0.25, 0},
	{"Record over TLS, 64 callers: CPU over echo and one verify", "Record", "", "cpu-of-echo+verify", 0, 1.6},
	{"  paced 2 000/s: p99, ms", "RecordPaced", "", "p99-ms", 0, 10},
	{"one writer: p50 over one bbolt transaction", "OneWriter", "", "p50-of-bbolt", 0, 1.5},
	{"RecordStream, 8 streams: rate over Record's", "RecordStream", "", "of-record", 2, 0},
	{"many entries there: entries", "Grown", "", "entries", 0, 0},
	{"  append rate over an empty ledger's", "Grown", "", "append-of-empty", 0.75, 0},
	{"  lookup of a bar at work, over an empty ledger's", "Grown", "", "lookup-of-empty", 0.75, 0},
	{"  lookup of any bar ever, the same", "Grown", "", "any-of-empty", 0, 0},
	{"  start, s", "Grown", "", "start-s", 0, 2},
	{"  memory besides the page cache, MB", "Grown", "", "resident-MB", 0, 300},
	{"get a bar there, us", "Read/get-a-bar", "", "us", 0, 1000},
	{"trace a bar there, us", "Read/trace-a-bar", "", "us", 0, 1000},
	{"list 50 bars there by a filter, us", "Read/list-50", "", "us", 0, 1000},
	{"inclusion proof there, ns", "Proof/inclusion", "", "ns/op", 0, 1e6},
	{"consistency proof there, ns", "Proof/consistency", "", "ns/op", 0, 1e6},
	{"verify the log: rate over SHA-256 and Ed25519", "Verify", "", "of-limit", 0.8, 0},
	{"  with the book judged and folded: entries/s", "Verify", "", "with-book/s", 0, 0},
	{"refold the book: entries/s", "Refold", "", "entries/s", 0, 0},
	{"settle 10 000 bars: time a bar over that of 100", "Settle/bars=10000", "Settle/bars=100", "ns/bar", 0, 1.5},
	{"read 100 000 rows of CSV: time a row over that of 10 000", "ReadCSV", "", "row-of-10k", 0, 1.5},
}

func main() {
	seen := map[string][]float64{}
	lines := bufio.NewScanner(os.Stdin)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		fmt.Println(lines.Text())
		read(lines.Text(), seen)
	}
	if err := lines.Err(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Println()
	out := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		value, ok := r.value(seen)
		if !ok {
			continue // it was not asked for
		}
		fmt.Fprintf(out, "%s\t%.4g\t%s\n", r.what, value, r.verdict(value))
	}
	_ = out.Flush()
}

// read takes the metrics of one line of results.
func read(line string, seen map[string][]float64) {
	fields := strings.Fields(line)
	if len(fields) < 4 || !strings.HasPrefix(fields[0], "Benchmark") {
		return
	}
	name := strings.TrimPrefix(fields[0], "Benchmark")
	if cut := strings.LastIndex(name, "-"); cut > 0 { // the number of processors
		name = name[:cut]
	}
	for i := 2; i+1 < len(fields); i += 2 {
		if value, err := strconv.ParseFloat(fields[i], 64); err == nil {
			key := name + " " + fields[i+1]
			seen[key] = append(seen[key], value)
		}
	}
}

// value is the median of what was measured.
func (r row) value(seen map[string][]float64) (float64, bool) {
	value, ok := median(seen[r.bench+" "+r.metric])
	if r.other == "" || !ok {
		return value, ok
	}
	of, ok := median(seen[r.other+" "+r.metric])
	return value / of, ok
}

func median(values []float64) (float64, bool) {
	if len(values) == 0 {
		return 0, false
	}
	slices.Sort(values)
	return values[len(values)/2], true
}

func (r row) verdict(value float64) string {
	bound, holds := "", true
	switch {
	case r.atLeast > 0:
		bound, holds = fmt.Sprintf("at least %g", r.atLeast), value >= r.atLeast
	case r.atMost > 0:
		bound, holds = fmt.Sprintf("at most %g", r.atMost), value <= r.atMost
	default:
		return ""
	}
	if holds {
		return bound + ": holds"
	}
	return bound + ": DOES NOT HOLD"
}
