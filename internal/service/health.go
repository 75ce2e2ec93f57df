package service

import (
	"maps"
	"slices"
	"time"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Health is what the service says of itself. Live it is if it can say anything at all.
type Health struct {
	// Ready says whether calls are taken and events recorded.
	Ready bool `json:"ready"`
	// Degraded has what is not as it should be, by part, in words for the operator: `ledger`, `shutdown`,
	// `certificate`. A service may be ready and degraded.
	Degraded map[string]string `json:"degraded,omitempty"`
}

// Degrade notes that a part of the server is not as it should be, or, with nil, that it is again. It is told by Health
// and by the metrics, and logged when it changes. A part that is degraded does not make the service unready.
func (s *Service) Degrade(part string, err error) {
	s.partsMu.Lock()
	defer s.partsMu.Unlock()
	was, had := s.parts[part]
	switch {
	case err == nil && had:
		delete(s.parts, part)
		s.log.Info("health", "part", part, "degraded", false)
	case err != nil && was != err.Error():
		s.parts[part] = err.Error()
		s.log.Error("health", "part", part, "degraded", true, "cause", causeText(err))
	}
}

// Health says how the service is now.
func (s *Service) Health() Health {
	h := Health{Ready: true, Degraded: map[string]string{}}
	s.partsMu.Lock()
	maps.Copy(h.Degraded, s.parts)
	s.partsMu.Unlock()
	if err := s.ledger.Err(); err != nil {
		h.Ready = false
		h.Degraded["ledger"] = err.Error()
		if r := refusal.As(err); r != nil {
			h.Degraded["ledger"] = r.Reason + ": " + r.Error()
		}
	}
	if s.stop.Err() != nil {
		h.Ready = false
		h.Degraded["shutdown"] = "the service is stopping; calls under way are finished, new ones are not taken"
	}
	return h
}

// served are the names under which health is asked; the empty one stands for all.
var served = []string{"", pb.LedgerService_ServiceDesc.ServiceName, pb.BookService_ServiceDesc.ServiceName,
	pb.SettlementService_ServiceDesc.ServiceName, pb.MeasurementService_ServiceDesc.ServiceName}

// watchHealth lets the health service follow the ledger: one that takes nothing more, because the outcome of a commit
// is unknown, needs a restart, and whoever watches health restarts it.
func (s *Service) watchHealth() {
	tick := time.NewTicker(healthEvery)
	defer tick.Stop()
	sound, reported := true, time.Now()
	for {
		state := healthpb.HealthCheckResponse_SERVING
		err := s.ledger.Err()
		if err != nil {
			state = healthpb.HealthCheckResponse_NOT_SERVING
		}
		if sound != (err == nil) {
			sound = err == nil
			s.log.Error("health", "serving", sound, "cause", causeText(err))
		}
		for _, name := range served {
			s.health.SetServingStatus(name, state)
		}
		if now := time.Now(); now.Sub(reported) >= shedReport {
			reported = now
			s.reportShed()
		}
		select {
		case <-tick.C:
		case <-s.stop.Done():
			return
		}
	}
}

// reportShed writes how much was refused early since the last time, if anything was.
func (s *Service) reportShed() {
	calls, connections := s.metrics.refusedEarly.Swap(0), s.metrics.refusedConnections.Load()
	closed := connections - s.reportedConnections.Swap(connections)
	if calls > 0 || closed > 0 {
		s.log.Warn("refused early", "calls", calls, "connections", closed, "waiting", s.waiting.Load())
	}
}

// parts lists what Health may find degraded, for the metrics.
func (h Health) parts() []string { return slices.Sorted(maps.Keys(h.Degraded)) }
