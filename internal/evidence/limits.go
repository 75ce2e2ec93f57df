package evidence

// Bounds of everything that this package reads, together so that they can be reviewed at a glance.
const (
	MaxPack     = 128 << 20 // bytes of a file; a lot of a thousand bars is some 10 MB
	maxMembers  = 200_000   // files inside
	maxName     = 200       // bytes of the name of a thing or a person
	maxManifest = 32 << 20  // bytes
	maxCover    = 16 << 20  // bytes of the PDF
	maxDocument = 16 << 20  // bytes of one statement
	maxEntries  = 50_000    // entries of one pack
	maxOlder    = 1_000     // older checkpoints
	maxWithheld = 10_000    // entries withheld
	maxFindings = 200       // findings told; more are counted
	maxShown    = 2_000     // bytes of one value in the summary
	maxListed   = 12        // entries named one by one in a sentence
)
