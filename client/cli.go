package main

import "time"

// cli is the whole command tree, noun first.
type cli struct {
	Globals globals `embed:""`

	Person      personCmd      `cmd:"" help:"People: keys, roles."`
	Party       partyCmd       `cmd:"" help:"Mines, carriers, refineries, laboratories and their sites."`
	Balance     balanceCmd     `cmd:"" help:"Balances and their checks."`
	Agreement   agreementCmd   `cmd:"" help:"Terms between a seller and a refiner."`
	Price       priceCmd       `cmd:"" help:"Daily prices and holidays."`
	Pour        pourCmd        `cmd:"" help:"Pours and the bars they gave."`
	Bar         barCmd         `cmd:"" help:"Bars and their whole route."`
	Sample      sampleCmd      `cmd:"" help:"Samples and their sealed packets."`
	Assay       assayCmd       `cmd:"" help:"What laboratories found."`
	Box         boxCmd         `cmd:"" help:"Sealed boxes."`
	Consignment consignmentCmd `cmd:"" help:"Boxes advised to a refinery."`
	Handoff     handoffCmd     `cmd:"" help:"Boxes given away and taken over."`
	Arrival     arrivalCmd     `cmd:"" help:"Boxes opened and bars received at the refinery."`
	Lot         lotCmd         `cmd:"" help:"Bars put together for melting and settlement."`
	Melt        meltCmd        `cmd:"" help:"Lots melted."`
	Exchange    exchangeCmd    `cmd:"" help:"The blind exchange of assays, and the umpire."`
	Statement   statementCmd   `cmd:"" help:"Settlement statements, advances and payments."`
	Return      returnCmd      `cmd:"" help:"The refinery's own account, compared with ours."`
	Discrepancy discrepancyCmd `cmd:"" help:"Differences beyond what was agreed."`
	Weighing    weighingCmd    `cmd:"" help:"Weighings compared, from figures alone."`
	Bias        biasCmd        `cmd:"" help:"Laboratories, balances and accounts compared over time."`
	Desk        deskCmd        `cmd:"" help:"The same at this workstation in a browser: gold room, receiving bay, office. It holds your open key until it is locked." example:"barward desk --listen 127.0.0.1:7412"`
	Ledger      ledgerCmd      `cmd:"" help:"Outbox, entries, proofs, countersignatures, corrections."`
	Evidence    evidenceCmd    `cmd:"" help:"One file that proves what was signed, anywhere and to anybody."`
}

// globals are the flags that every command takes.
type globals struct {
	Server         string        `help:"Service to talk to, host:port. Without TLS only on this machine." default:"127.0.0.1:7411" env:"BARWARD_SERVER" group:"Everywhere"`
	CA             string        `name:"ca" help:"PEM file of the authority that signed the service's certificate; the system's list if not given." env:"BARWARD_CA" type:"path" group:"Everywhere"`
	Certificate    string        `help:"PEM file of the certificate that shows this workstation to a service that asks for one; read anew for every connection." env:"BARWARD_CERTIFICATE" type:"path" group:"Everywhere"`
	CertificateKey string        `help:"PEM file of its private key." env:"BARWARD_CERTIFICATE_KEY" type:"path" group:"Everywhere"`
	Home           string        `help:"Folder of the outbox, the last checkpoint seen and what waits to be revealed." default:"~/.barward" env:"BARWARD_HOME" type:"path" group:"Everywhere"`
	Key            string        `help:"Your key file." env:"BARWARD_KEY" type:"path" group:"Everywhere"`
	PassphraseFile string        `help:"File whose first line opens the key file; asked for on a terminal if not given." env:"BARWARD_PASSPHRASE_FILE" type:"path" group:"Everywhere"`
	LogKey         string        `help:"Public key of the log (name+hash+key) or a file that holds it; the first one seen is kept if not given." env:"BARWARD_LOG_KEY" group:"Everywhere"`
	Party          string        `help:"Party you act for; asked of the service and remembered if not given." env:"BARWARD_PARTY" group:"Everywhere"`
	At             string        `help:"When it happened, RFC 3339 with zone; now if not given." placeholder:"TIME" group:"Everywhere"`
	Place          string        `help:"Where it happened, as site or party/site." placeholder:"SITE" env:"BARWARD_PLACE" group:"Everywhere"`
	Output         string        `short:"o" help:"How to show: table, json or csv." enum:"table,json,csv" default:"table" group:"Everywhere"`
	Timeout        time.Duration `help:"Longest wait for one answer of the service." default:"30s" group:"Everywhere"`
}
