package identity

import (
	"fmt"
	"slices"
	"strings"

	"barward/internal/refusal"
)

// This file is the matrix: who may record what, and who may see what. It is written to be read by an auditor from top to
// bottom, without the rest of the source. What no line allows is not allowed. Beyond the matrix the book looks at the
// case: is it this party's lot, this person's party, a second person, a grant in time.

// PartyKind is what a party is in the trade.
type PartyKind string

// The kinds of party.
const (
	Mine       PartyKind = "mine"
	Carrier    PartyKind = "carrier"
	Refinery   PartyKind = "refinery"
	Laboratory PartyKind = "laboratory" // independent: supervises, or is the umpire of one exchange
	Vault      PartyKind = "vault"
	Auditors   PartyKind = "auditor"  // reads by grant, and records nothing about metal
	Operator   PartyKind = "operator" // runs the service; registers parties, and has no hand in metal or money
)

// PartyKinds lists the kinds of party in the order of the matrix.
var PartyKinds = []PartyKind{Mine, Carrier, Refinery, Laboratory, Vault, Auditors, Operator}

// Role is what a person does for their party. A person may have several.
type Role string

// The roles. There is none for the umpire: an umpire is an assayer of a laboratory that was appointed for one exchange.
const (
	Administrator     Role = "administrator"
	GoldRoomOfficer   Role = "gold_room_officer"
	Witness           Role = "witness"
	Custodian         Role = "custodian"
	ReceivingClerk    Role = "receiving_clerk"
	Assayer           Role = "assayer"
	CommercialManager Role = "commercial_manager"
	Auditor           Role = "auditor"
)

// Roles lists the roles in the order of the matrix.
var Roles = []Role{Administrator, GoldRoomOfficer, Witness, Custodian, ReceivingClerk, Assayer, CommercialManager, Auditor}

// EventKind is one kind of event that a person can sign.
type EventKind string

// The kinds of event.
const (
	PartyRegistered    EventKind = "party_registered"
	PersonEnrolled     EventKind = "person_enrolled"
	PartyChanged       EventKind = "party_changed"
	KeyRotated         EventKind = "key_rotated"
	KeyRevoked         EventKind = "key_revoked"
	KeyRecovered       EventKind = "key_recovered"
	BalanceRegistered  EventKind = "balance_registered"
	BalanceChecked     EventKind = "balance_checked"
	AgreementSigned    EventKind = "agreement_signed"
	PricesPublished    EventKind = "prices_published"
	HolidaysPublished  EventKind = "holidays_published"
	PourRecorded       EventKind = "pour_recorded"
	Weighed            EventKind = "weighed"
	SampleTaken        EventKind = "sample_taken"
	AssayReported      EventKind = "assay_reported"
	BoxPacked          EventKind = "box_packed"
	ConsignmentAdvised EventKind = "consignment_advised"
	Released           EventKind = "released"
	Accepted           EventKind = "accepted"
	SealReplaced       EventKind = "seal_replaced"
	IncidentReported   EventKind = "incident_reported"
	BarReceived        EventKind = "bar_received"
	LotOpened          EventKind = "lot_opened"
	Melted             EventKind = "melted"
	ResultCommitted    EventKind = "result_committed"
	ResultRevealed     EventKind = "result_revealed"
	UmpireAppointed    EventKind = "umpire_appointed"
	UmpireReported     EventKind = "umpire_reported"
	SilenceDeclared    EventKind = "silence_declared"
	CostRecorded       EventKind = "cost_recorded"
	AdvancePaid        EventKind = "advance_paid"
	StatementIssued    EventKind = "statement_issued"
	ReturnReceived     EventKind = "return_received"
	PaymentRecorded    EventKind = "payment_recorded"
	DiscrepancyDecided EventKind = "discrepancy_decided"
	Countersigned      EventKind = "countersigned"
	Corrected          EventKind = "corrected"
	AccessGranted      EventKind = "access_granted"
	AccessWithdrawn    EventKind = "access_withdrawn"
	CheckpointCosigned EventKind = "checkpoint_cosigned"
)

// EventKinds lists the kinds of event in the order of the metal's way.
var EventKinds = []EventKind{
	PartyRegistered, PartyChanged, PersonEnrolled, KeyRotated, KeyRevoked, KeyRecovered, BalanceRegistered, BalanceChecked,
	AgreementSigned, PricesPublished, HolidaysPublished, PourRecorded, Weighed, SampleTaken, AssayReported, BoxPacked,
	ConsignmentAdvised, Released, Accepted, SealReplaced, IncidentReported, BarReceived, LotOpened, Melted, ResultCommitted,
	ResultRevealed, UmpireAppointed, UmpireReported, SilenceDeclared, CostRecorded, AdvancePaid, StatementIssued,
	ReturnReceived, PaymentRecorded, DiscrepancyDecided, Countersigned, Corrected, AccessGranted, AccessWithdrawn,
	CheckpointCosigned,
}

// line is one line of the matrix: persons with one of these roles, of a party of one of these kinds, may record any of
// these events, and why.
type line struct {
	events  []EventKind
	parties []PartyKind
	roles   []Role
	why     string
}

type (
	events  = []EventKind
	parties = []PartyKind
	roles   = []Role
)

// handlers are the parties through whose hands metal goes.
var handlers = parties{Mine, Carrier, Refinery, Laboratory, Vault}

// readers are all parties but the operator, who keeps the log and so cannot vouch for it.
var readers = append(handlers[:len(handlers):len(handlers)], Auditors)

// matrix is the whole of it.
var matrix = []line{
	// Registry.
	{events{PartyRegistered}, parties{Operator}, roles{Administrator},
		"one hand lets parties in; it belongs to nobody who owns, moves or assays metal"},
	{events{PersonEnrolled, KeyRevoked}, PartyKinds, roles{Administrator},
		"each party answers for its own persons; the operator enrols only the first administrator of each party"},
	{events{PartyChanged}, PartyKinds, roles{Administrator},
		"each party says where it works and what it is called; the operator may put it right"},
	{events{KeyRotated}, PartyKinds, Roles, "everybody may change their own key, and only their own"},
	{events{KeyRecovered}, PartyKinds, roles{Administrator},
		"who lost a key cannot sign; for an administrator's own key a second person countersigns, as the book sees to"},
	{events{BalanceRegistered}, handlers, roles{Administrator},
		"who weighs on a balance does not set the limits that it is judged by"},
	{events{BalanceChecked}, parties{Mine}, roles{GoldRoomOfficer, Assayer}, "who weighs on it checks it first"},
	{events{BalanceChecked}, parties{Refinery}, roles{ReceivingClerk, Assayer}, "who weighs on it checks it first"},
	{events{BalanceChecked}, parties{Carrier, Vault}, roles{Custodian}, "who weighs on it checks it first"},
	{events{BalanceChecked}, parties{Laboratory}, roles{Assayer}, "who weighs on it checks it first"},
	{events{AgreementSigned, PricesPublished, HolidaysPublished}, parties{Mine, Refinery}, roles{CommercialManager},
		"what moves money is set by those whose money it is; the operator has no say in it"},

	// Gold room.
	{events{PourRecorded, BoxPacked}, parties{Mine}, roles{GoldRoomOfficer}, "the gold room makes bars and boxes"},
	{events{ConsignmentAdvised}, parties{Mine}, roles{GoldRoomOfficer, CommercialManager},
		"the mine says what it ships, from the gold room or from the office"},
	{events{Weighed}, parties{Mine}, roles{GoldRoomOfficer}, "whoever holds metal may weigh it"},
	{events{Weighed}, parties{Refinery}, roles{ReceivingClerk}, "whoever holds metal may weigh it"},
	{events{Weighed}, parties{Carrier, Vault}, roles{Custodian}, "whoever holds metal may weigh it"},
	{events{Weighed}, parties{Laboratory}, roles{Assayer}, "a sample packet is weighed where it arrives"},
	{events{SampleTaken}, parties{Mine}, roles{GoldRoomOfficer, Assayer}, "drillings and dip samples of the pour"},
	{events{SampleTaken}, parties{Refinery}, roles{ReceivingClerk, Assayer}, "samples of the melt of a lot"},
	{events{AssayReported}, parties{Mine, Refinery, Laboratory}, roles{Assayer}, "a fineness comes from an assayer"},

	// Custody. Each hand-over is recorded by both sides; that they are two persons of two parties is for the book.
	{events{Released, Accepted}, parties{Mine}, roles{GoldRoomOfficer, Custodian}, "who gives and who takes each sign"},
	{events{Released, Accepted}, parties{Carrier, Vault}, roles{Custodian}, "who gives and who takes each sign"},
	{events{Released, Accepted}, parties{Refinery}, roles{ReceivingClerk, Custodian}, "who gives and who takes each sign"},
	{events{Released, Accepted}, parties{Laboratory}, roles{Assayer, Custodian}, "sample packets change hands like metal"},
	{events{SealReplaced}, parties{Mine}, roles{GoldRoomOfficer, Custodian}, "the holder answers for the seal"},
	{events{SealReplaced}, parties{Carrier, Vault}, roles{Custodian}, "the holder answers for the seal"},
	{events{SealReplaced}, parties{Refinery}, roles{ReceivingClerk, Custodian}, "the holder answers for the seal"},
	{events{IncidentReported}, handlers,
		roles{Administrator, GoldRoomOfficer, Witness, Custodian, ReceivingClerk, Assayer, CommercialManager},
		"whoever saw something says so; nobody needs leave for that"},

	// Refinery.
	{events{BarReceived, LotOpened, Melted}, parties{Refinery}, roles{ReceivingClerk},
		"the refinery opens the boxes, groups the bars and melts them"},

	// Exchange.
	{events{ResultCommitted, ResultRevealed}, parties{Mine, Refinery}, roles{Assayer, CommercialManager},
		"each side commits and reveals its own result; a mine without a laboratory does so from the office"},
	{events{UmpireAppointed}, parties{Mine, Refinery}, roles{CommercialManager}, "an umpire costs money"},
	{events{SilenceDeclared}, parties{Mine, Refinery}, roles{CommercialManager},
		"it settles metal by one result; the exchange takes it only from the side that has reported, after the day"},
	{events{UmpireReported}, parties{Laboratory}, roles{Assayer}, "an umpire is an assayer who works for neither side"},

	// Commercial.
	{events{AdvancePaid}, parties{Refinery}, roles{CommercialManager}, "who pays says so; the mine countersigns"},
	{events{CostRecorded}, parties{Mine, Refinery}, roles{CommercialManager},
		"either side may have paid the carrier or the laboratory; the other sees it before it signs the statement"},
	{events{StatementIssued}, parties{Mine, Refinery}, roles{CommercialManager},
		"issued by one side and countersigned by the other"},
	{events{PaymentRecorded}, parties{Mine, Refinery}, roles{CommercialManager},
		"either side says what it paid or got; that the two agree is seen in the book"},
	{events{ReturnReceived}, parties{Mine}, roles{CommercialManager}, "the mine enters the return as it got it"},
	{events{DiscrepancyDecided}, parties{Mine, Carrier, Refinery, Vault}, roles{CommercialManager},
		"whoever must answer for a difference answers in the name of their party"},

	// General. The book also asks whether the person may record the kind of entry that is corrected.
	{events{Countersigned}, handlers,
		roles{Administrator, GoldRoomOfficer, Witness, Custodian, ReceivingClerk, Assayer, CommercialManager},
		"witness of a pour, assent to a correction, signature under a statement: all are one act"},
	{events{Corrected}, handlers,
		roles{Administrator, GoldRoomOfficer, Custodian, ReceivingClerk, Assayer, CommercialManager},
		"who may record may correct; nothing is deleted by it"},
	{events{Corrected}, parties{Operator, Auditors}, roles{Administrator}, "a wrong name or site in the registry"},
	{events{Countersigned}, parties{Operator, Auditors}, roles{Administrator},
		"of a new key for another administrator and of nothing else, as the book sees to"},

	// Sight and proof.
	{events{AccessGranted, AccessWithdrawn}, parties{Mine, Refinery}, roles{CommercialManager},
		"who owns the metal or the money lets an auditor look, and for how long"},
	{events{CheckpointCosigned}, readers, Roles, "whoever has verified the log may say so; its keeper may not vouch for itself"},
}

// May reports whether a person with role, of a party of kind, may record an event.
func May(kind PartyKind, role Role, event EventKind) bool {
	for _, l := range matrix {
		if slices.Contains(l.events, event) && slices.Contains(l.parties, kind) && slices.Contains(l.roles, role) {
			return true
		}
	}
	return false
}

// CheckMay refuses, as Forbidden with reason ROLE_DOES_NOT_ALLOW, an event that none of the caller's roles allows. The
// refusal says who may record it.
func CheckMay(caller Caller, event EventKind) error {
	for _, role := range caller.Roles {
		if May(caller.PartyKind, role, event) {
			return nil
		}
	}
	has := join(caller.Roles)
	if has == "" {
		has = "no role"
	}
	who := WhoMay(event)
	if who == "" {
		who = "nobody"
	}
	return refusal.New(refusal.Forbidden, "ROLE_DOES_NOT_ALLOW", "",
		"You act as %s of a party of kind %s, and that does not allow %s. Allowed are: %s. Have one of them sign it.",
		has, quote(string(caller.PartyKind)), quote(string(event)), who).
		With("event", quote(string(event))).With("roles", has).With("party_kind", quote(string(caller.PartyKind))).
		With("allowed", who)
}

// WhoMay says who may record an event, such as "gold_room_officer, assayer (mine); assayer (laboratory)".
func WhoMay(event EventKind) string {
	var parts []string
	for _, l := range matrix {
		if slices.Contains(l.events, event) {
			parts = append(parts, join(l.roles)+" ("+join(l.parties)+")")
		}
	}
	return strings.Join(parts, "; ")
}

// What is a sort of information.
type What string

// The sorts of information.
const (
	Registry What = "registry" // parties, sites, persons and their keys, balances and their checks, holidays
	Custody  What = "custody"  // bars, boxes, seals, weights, hand-overs, incidents, and the discrepancies of these
	Assays   What = "assays"   // samples, finenesses, declared contents, exchanges, and the discrepancies of these
	Money    What = "money"    // agreements, prices, lots in settlement, statements, returns, payments
)

// Whats lists the sorts of information in the order of the table.
var Whats = []What{Registry, Custody, Assays, Money}

// sees says what a party sees of what *other* parties recorded, within the consignments that concern it or the grant it
// was given. What its own persons recorded, and what was addressed to it (the umpire's own packet), it always sees.
var sees = []struct {
	kind  PartyKind
	whats []What
	why   string
}{
	{Mine, []What{Registry, Custody, Assays, Money}, "seller: its metal, from pour to payment"},
	{Refinery, []What{Registry, Custody, Assays, Money}, "buyer: what it receives and pays for"},
	{Carrier, []What{Registry, Custody}, "knows what it carries by box and seal, not what it is worth"},
	{Vault, []What{Registry, Custody}, "knows what it keeps by box and seal, not what it is worth"},
	{Laboratory, []What{Registry}, "assays the packet that names it, without knowing the parties' results or whose money hangs on it"},
	{Auditors, []What{Registry, Custody, Assays, Money}, "all that the grant covers, while it lasts"},
	{Operator, []What{Registry}, "keeps the service running; its persons have no use for the trade in it"},
}

// Sees reports whether a party of kind sees a sort of information that other parties recorded about what concerns it.
// Results under exchange stay sealed whatever this says, until both sides have committed.
func Sees(kind PartyKind, what What) bool {
	for _, s := range sees {
		if s.kind == kind {
			return slices.Contains(s.whats, what)
		}
	}
	return false
}

// ParsePartyKind reads a kind of party, refusing what is none (PARTY_KIND_UNKNOWN).
func ParsePartyKind(text string) (PartyKind, error) {
	if kind := PartyKind(text); slices.Contains(PartyKinds, kind) {
		return kind, nil
	}
	return "", refusal.Invalidf("PARTY_KIND_UNKNOWN", "kind", "%s is not a kind of party. The kinds are %s.",
		quote(text), join(PartyKinds)).With("kind", quote(text))
}

// ParseRole reads a role, refusing what is none (ROLE_UNKNOWN).
func ParseRole(text string) (Role, error) {
	if role := Role(text); slices.Contains(Roles, role) {
		return role, nil
	}
	return "", refusal.Invalidf("ROLE_UNKNOWN", "role", "%s is not a role. The roles are %s.",
		quote(text), join(Roles)).With("role", quote(text))
}

// MatrixText prints the matrix and the table of sight as an auditor would want them on paper: each event with who may
// record it and why, then each kind of party with what it sees and why.
func MatrixText() string {
	var b strings.Builder
	b.WriteString("Who may record what\n")
	for _, event := range EventKinds {
		fmt.Fprintf(&b, "\n%s\n", event)
		for _, l := range matrix {
			if slices.Contains(l.events, event) {
				fmt.Fprintf(&b, "  %s\n    of %s: %s\n", join(l.roles), join(l.parties), l.why)
			}
		}
	}
	b.WriteString("\nWho sees what of what others recorded\n\n")
	for _, s := range sees {
		fmt.Fprintf(&b, "%-10s  %s: %s\n", s.kind, join(s.whats), s.why)
	}
	return b.String()
}

func join[T ~string](list []T) string {
	texts := make([]string, len(list))
	for i, v := range list {
		texts[i] = string(v)
	}
	return strings.Join(texts, ", ")
}
