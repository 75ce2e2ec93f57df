package service

import (
	"errors"
	"strings"
	"sync/atomic"
	"testing"

	"google.golang.org/grpc/codes"

	"github.com/prometheus/client_golang/prometheus"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Health names what is wrong and what to do: a degraded part leaves the service ready, a halted ledger and a stop do not.
func TestHealthSaysWhatIsWrong(t *testing.T) {
	var fault atomic.Bool
	h := open(t, hook(func(point string) error {
		if point == "after-commit" && fault.Load() {
			return errors.New("an invented fault of the disk")
		}
		return nil
	}))
	if got := h.service.Health(); !got.Ready || len(got.Degraded) > 0 {
		t.Errorf("a sound service says %+v", got)
	}
	ended := refusal.New(refusal.Precondition, "INVENTED", "", "The certificate has ended.").Because(errors.New("on a Tuesday"))
	for range 3 {
		h.service.Degrade("certificate", ended)
	}
	if got := h.service.Health(); !got.Ready || got.Degraded["certificate"] != "The certificate has ended." {
		t.Errorf("a degraded part: %+v", got)
	}
	if n := strings.Count(h.log.String(), "on a Tuesday"); n != 1 {
		t.Errorf("the log tells of it %d times, want once", n)
	}
	h.service.Degrade("certificate", nil)
	if got := h.service.Health(); len(got.Degraded) > 0 {
		t.Errorf("sound again: %+v", got)
	}
	fault.Store(true)
	_, err := h.record(h.admin, h.admin.event(t, mine("ottermere")))
	wantRefusal(t, err, codes.Unavailable, "LEDGER_OUTCOME_UNKNOWN")
	got := h.service.Health()
	if got.Ready || !strings.HasPrefix(got.Degraded["ledger"], "LEDGER_OUTCOME_UNKNOWN: ") {
		t.Errorf("a halted ledger: %+v", got)
	}
	registry := prometheus.NewPedanticRegistry()
	for _, c := range h.service.Metrics() {
		if err := registry.Register(c); err != nil {
			t.Fatal(err)
		}
	}
	families, err := registry.Gather() // also while the ledger answers nothing
	if err != nil {
		t.Error(err)
	}
	for _, f := range families {
		if f.GetName() == "barward_ready" && f.Metric[0].GetGauge().GetValue() != 0 {
			t.Error("the metrics call it ready")
		}
	}
	h.service.Stop()
	if got := h.service.Health(); got.Degraded["shutdown"] == "" {
		t.Errorf("while it stops: %+v", got)
	}
}

// The number of open discrepancies is counted over all parties, and not at every reading.
func TestOpenDiscrepanciesAreCounted(t *testing.T) {
	h := open(t, nil)
	if n, ok := h.service.openDiscrepancies(); n != 0 || !ok {
		t.Errorf("of an empty book %v, %v", n, ok)
	}
	_, pour := h.unchecked()
	h.append(pour)
	if n, _ := h.service.openDiscrepancies(); n != 0 {
		t.Errorf("it was counted again at once: %v", n)
	}
	h.service.census.at = h.service.census.at.Add(-2 * countEvery)
	if n, ok := h.service.openDiscrepancies(); n < 1 || !ok {
		t.Errorf("after a pour on a balance that was never checked %v, %v", n, ok)
	}
}

// unchecked is a pour on a balance that was never checked, which is recorded and flagged.
func (h *house) unchecked() (person, *pb.SignedEvent) {
	t := h.t
	officer, head := newPerson(t), newPerson(t)
	party := registers("ottermere", pb.PartyKind_PARTY_KIND_MINE)
	party.GetPartyRegistered().Sites = []*pb.Site{{SiteId: "works", DisplayName: "Works", ElevationM: "12"}}
	h.append(h.admin.event(t, party))
	h.append(h.admin.event(t, enrols("ottermere", "head", head, pb.Role_ROLE_ADMINISTRATOR)))
	h.append(head.event(t, enrols("ottermere", "brindle", officer, pb.Role_ROLE_GOLD_ROOM_OFFICER)))
	h.append(head.event(t, &pb.Event{Body: &pb.Event_BalanceRegistered{BalanceRegistered: &pb.BalanceRegistered{
		BalanceId: "OB1", Site: "ottermere/works", AccuracyClass: "I", Capacity: "32000 g", Readability: "0.01 g", VerificationInterval: "0.1 g",
		Repeatability: "0.03 g", CheckEveryDays: 7}}}))
	return officer, officer.event(t, &pb.Event{Body: &pb.Event_PourRecorded{PourRecorded: &pb.PourRecorded{PourId: "P1",
		Balance: "ottermere/OB1", Bars: []*pb.PouredBar{{Mark: "OT-1", Readings: []string{"18452.30 g", "18452.30 g"}}}}}})
}
