package service

import (
	"bytes"
	"context"
	"errors"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "barward/proto/barward/v1"
)

// raw sends bytes as they are, whatever the method expects, and takes what comes.
type raw struct{}

func (raw) Marshal(v any) (mem.BufferSlice, error) {
	return mem.BufferSlice{mem.SliceBuffer(*v.(*[]byte))}, nil
}

func (raw) Unmarshal(data mem.BufferSlice, v any) error {
	*v.(*[]byte) = data.Materialize()
	return nil
}

func (raw) Name() string { return "proto" }

var _ encoding.CodecV2 = raw{}

// method is one RPC, found as a stranger finds it.
type method struct {
	full  string
	input protoreflect.MessageType
	grpc.MethodInfo
}

// methods lists every RPC of a server of ours, in order.
func (h *house) methods() (all []method) {
	h.t.Helper()
	services := h.service.Server().GetServiceInfo()
	for _, name := range slices.Sorted(maps.Keys(services)) {
		for _, m := range services[name].Methods {
			found := method{full: "/" + name + "/" + m.Name, MethodInfo: m}
			d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(name))
			if err != nil {
				h.t.Fatal(err)
			}
			input := d.(protoreflect.ServiceDescriptor).Methods().ByName(protoreflect.Name(m.Name)).Input()
			if found.input, err = protoregistry.GlobalTypes.FindMessageByName(input.FullName()); err != nil {
				h.t.Fatal(err)
			}
			all = append(all, found)
		}
	}
	return all
}

// throw sends one message of these bytes to a method and returns how that ended; a stream is read until it ends or a
// few answers came.
func (h *house) throw(ctx context.Context, m method, message []byte) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	var answer []byte
	if !m.IsClientStream && !m.IsServerStream {
		return h.conn.Invoke(ctx, m.full, &message, &answer, grpc.ForceCodecV2(raw{}), grpc.MaxCallSendMsgSize(64<<20))
	}
	stream, err := h.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, m.full,
		grpc.ForceCodecV2(raw{}), grpc.MaxCallSendMsgSize(64<<20))
	if err != nil {
		return err
	}
	if err := stream.SendMsg(&message); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	_ = stream.CloseSend()
	if strings.HasSuffix(m.full, "/Watch") || strings.HasSuffix(m.full, "/WatchEntries") {
		// It would go on for ever if the message was good.
		_ = time.AfterFunc(50*time.Millisecond, cancel)
	}
	for {
		if err := stream.RecvMsg(&answer); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
	}
}

// blames reports whether an answer to a bad message blames who it should, and nobody is left without one.
func blames(err error) bool {
	switch s := status.Convert(err); s.Code() {
	case codes.OK, codes.InvalidArgument, codes.NotFound, codes.OutOfRange, codes.FailedPrecondition, codes.AlreadyExists,
		codes.Unauthenticated, codes.PermissionDenied, codes.ResourceExhausted, codes.Canceled:
		return true
	case codes.Unimplemented:
		return true // reflection answers so to what it does not know
	case codes.Internal:
		// gRPC's own answer where the bytes are no message at all; it leaves before the handler hears of them.
		return infoOf(err) == nil && strings.Contains(s.Message(), "unmarshal")
	}
	return false
}

// fillMessage sets fields of a message to something, so that changing its bytes leads deep into the handler.
func fillMessage(chance *rand.Rand, m protoreflect.Message, depth int) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if chance.IntN(3) == 0 || depth > 4 || f.IsMap() {
			continue
		}
		if f.IsList() {
			list := m.Mutable(f).List()
			for range chance.IntN(3) {
				if f.Message() != nil {
					fillMessage(chance, list.AppendMutable().Message(), depth+1)
				} else {
					list.Append(scalar(chance, f))
				}
			}
			continue
		}
		if f.Message() != nil {
			fillMessage(chance, m.Mutable(f).Message(), depth+1)
			continue
		}
		m.Set(f, scalar(chance, f))
	}
}

var words = []string{"", "keeper", "keeper/wardle", "ottermere/OT-1", "12441.390 g", "812.30 ppt", "2027-03-01", "{}", "[1]",
	`state = "OPEN"`, "-1", "9e999", "\u202e", strings.Repeat("x", 300), "2027-03-01T10:00:00Z", "Au", "gold (invented)"}

func scalar(chance *rand.Rand, f protoreflect.FieldDescriptor) protoreflect.Value {
	switch f.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(chance.IntN(2) == 0)
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(chance.IntN(20) - 1))
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		return protoreflect.ValueOfInt32(int32(chance.IntN(100) - 5))
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return protoreflect.ValueOfInt64(chance.Int64() - chance.Int64())
	case protoreflect.Uint32Kind, protoreflect.Fixed32Kind:
		return protoreflect.ValueOfUint32(uint32(chance.IntN(100)))
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		return protoreflect.ValueOfUint64(chance.Uint64() >> chance.IntN(64))
	case protoreflect.FloatKind:
		return protoreflect.ValueOfFloat32(chance.Float32())
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(chance.Float64())
	case protoreflect.BytesKind:
		b := make([]byte, []int{0, 1, 32, 64, 200}[chance.IntN(5)])
		for i := range b {
			b[i] = byte(chance.Uint32())
		}
		return protoreflect.ValueOfBytes(b)
	}
	return protoreflect.ValueOfString(words[chance.IntN(len(words))])
}

// spoiled makes a message of a method, and spoils it more or less.
func (h *house) spoiled(chance *rand.Rand, m method) []byte {
	message := m.input.New()
	fillMessage(chance, message, 0)
	// An event signed by a registered key gets past the signature into the decoder and the book.
	signed, wraps := signedField(message)
	if wraps && chance.IntN(2) == 0 {
		event := new(pb.Event)
		fillMessage(chance, event.ProtoReflect(), 0)
		event.OccurredAt = time.Now().Format(time.RFC3339)
		message.Set(signed, protoreflect.ValueOfMessage(h.admin.event(h.t, event).ProtoReflect()))
	}
	b, err := proto.Marshal(message.Interface())
	if err != nil {
		b = nil // invalid UTF-8 in a string of ours; random bytes do
	}
	switch chance.IntN(6) {
	case 0: // as it is
	case 1:
		b = b[:chance.IntN(len(b)+1)]
	case 2:
		for range 1 + chance.IntN(8) {
			if len(b) > 0 {
				b[chance.IntN(len(b))] ^= 1 << chance.IntN(8)
			}
		}
	case 3:
		b = make([]byte, chance.IntN(300))
		for i := range b {
			b[i] = byte(chance.Uint32())
		}
	case 4: // a length that is not there
		b = append(b, 0x0a, 0xff, 0xff, 0xff, 0xff, 0x0f)
	case 5: // deep nesting
		b = bytes.Repeat([]byte{0x0a, 0x7f}, 1+chance.IntN(5000))
	}
	return b
}

func signedField(m protoreflect.Message) (protoreflect.FieldDescriptor, bool) {
	f := m.Descriptor().Fields().ByName("signed_event")
	return f, f != nil
}

// Malformed messages into every method over the wire: each gets an answer that blames it, none makes the service
// panic, and afterwards the service serves and its ledger verifies. BARWARD_FUZZ_CALLS sets how many a method gets,
// BARWARD_SEED repeats a run.
func TestAttackMalformedMessagesIntoEveryMethod(t *testing.T) {
	calls, seed := 60, rand.Uint64()
	if text := os.Getenv("BARWARD_FUZZ_CALLS"); text != "" {
		var err error
		if calls, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	if text := os.Getenv("BARWARD_SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("BARWARD_SEED=%d", seed)
	h := open(t, nil, Unlimited)
	var wait sync.WaitGroup
	total := 0
	for i, m := range h.methods() {
		total += calls
		wait.Go(func() {
			chance := rand.New(rand.NewPCG(seed, uint64(i)))
			ctx, made := h.as(h.admin), time.Now()
			for range calls {
				if time.Since(made) > time.Minute {
					ctx, made = h.as(h.admin), time.Now()
				}
				message := h.spoiled(chance, m)
				if err := h.throw(ctx, m, message); !blames(err) {
					t.Errorf("%s of %x: %v", m.full, message[:min(len(message), 200)], err)
				}
			}
		})
	}
	wait.Wait()
	t.Logf("%d messages", total)
	if h.log.contains("panic:") {
		t.Errorf("a message made the service panic")
	}
	if err := h.ask(h.as(h.admin)); err != nil {
		t.Errorf("afterwards: %v", err)
	}
	if _, err := h.ledger.Verify(context.Background(), nil); err != nil {
		t.Errorf("afterwards the ledger does not verify: %v", err)
	}
}

// A message beyond the bound is refused before it is read, in every method.
func TestAttackOversizeMessagesIntoEveryMethod(t *testing.T) {
	h := open(t, nil, Unlimited)
	large := make([]byte, maxRequest+1)
	for _, m := range h.methods() {
		if err := h.throw(h.as(h.admin), m, large); status.Code(err) != codes.ResourceExhausted {
			t.Errorf("%s: %v", m.full, err)
		}
	}
}

// FuzzMethods is the same for a fuzzer, which finds its own bytes: which method is a number.
func FuzzMethods(f *testing.F) {
	h := open(f, nil, Unlimited)
	all := h.methods()
	chance := rand.New(rand.NewPCG(1, 2))
	for i, m := range all {
		f.Add(uint8(i), h.spoiled(chance, m))
	}
	f.Fuzz(func(t *testing.T, which uint8, message []byte) {
		m := all[int(which)%len(all)]
		if len(message) > 1<<20 {
			return
		}
		if err := h.throw(withToken(t, context.Background(), h.admin, testOrigin, time.Now()), m, message); !blames(err) {
			t.Errorf("%s: %v", m.full, err)
		}
		if h.log.contains("panic:") {
			t.Error("the service panicked")
		}
	})
}
