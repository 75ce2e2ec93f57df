package main

import (
	"context"
	"fmt"

	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/trace"
	"google.golang.org/grpc"

	"barward/internal/refusal"
)

// Traces are switched on by the standard environment of OpenTelemetry and by nothing else: OTEL_EXPORTER_OTLP_ENDPOINT
// or OTEL_EXPORTER_OTLP_TRACES_ENDPOINT says where to send them, in OTLP over gRPC; OTEL_SDK_DISABLED=true or
// OTEL_TRACES_EXPORTER=none switches them off; sampling, headers, TLS and resource attributes are the standard's too.
// A span has the method, its times and its code. It never has a message of ours about a request, which may quote
// figures.

// tracing returns the option that traces calls, and what to do at the end; nil and a no-op without the environment.
func tracing(
	ctx context.Context, getenv func(string) string,
) (options []grpc.ServerOption, stop func(context.Context) error, err error) {
	nothing := func(context.Context) error { return nil }
	first := func(names ...string) string {
		for _, name := range names {
			if value := getenv(name); value != "" {
				return value
			}
		}
		return ""
	}
	if getenv("OTEL_SDK_DISABLED") == "true" || getenv("OTEL_TRACES_EXPORTER") == "none" ||
		first("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", "OTEL_EXPORTER_OTLP_ENDPOINT") == "" {
		return nil, nothing, nil
	}
	protocol := first("OTEL_EXPORTER_OTLP_TRACES_PROTOCOL", "OTEL_EXPORTER_OTLP_PROTOCOL")
	exporter := getenv("OTEL_TRACES_EXPORTER")
	if exporter != "" && exporter != "otlp" || protocol != "" && protocol != "grpc" {
		return nil, nothing, refusal.Invalidf("TRACES_UNSUPPORTED", "OTEL_TRACES_EXPORTER",
			"Traces are sent by the exporter otlp over grpc only; the environment asks for %q over %q. Change "+
				"OTEL_TRACES_EXPORTER and OTEL_EXPORTER_OTLP_PROTOCOL, or unset the endpoint.", exporter, protocol)
	}
	sender, err := otlptracegrpc.New(ctx)
	if err != nil {
		return nil, nothing, fmt.Errorf("traces cannot be sent: %w", err)
	}
	provider := trace.NewTracerProvider(trace.WithBatcher(sender))
	handler := otelgrpc.NewServerHandler(otelgrpc.WithTracerProvider(provider),
		otelgrpc.WithPropagators(propagation.TraceContext{}))
	return []grpc.ServerOption{grpc.StatsHandler(handler)}, provider.Shutdown, nil
}
