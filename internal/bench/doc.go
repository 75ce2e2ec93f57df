// Package bench holds the benchmarks in which Barward runs beside what could have been put in its place: the same work,
// the same durability, in the same run, so that the ratio is the result and not the machine's figures. It is a module
// of its own, so that no driver of another store reaches the service's go.mod. Nothing imports it.
package bench
