package desk

import "time"

// Bounds of this package, together so that they can be reviewed at a glance.
const (
	usualListen   = "127.0.0.1:7412"
	usualTimeout  = 30 * time.Second
	usualIdle     = 10 * time.Minute
	usualPatience = 8 * time.Second

	headerPatience = 10 * time.Second
	bodyPatience   = 60 * time.Second
	stopPatience   = 5 * time.Second
	askPatience    = 10 * time.Second // of one question that a page can do without

	maxHeader = 64 << 10 // bytes
	maxBody   = 2 << 20  // bytes of one form: a statement's file of figures or 400 boxes with their seals
	maxFields = 20_000   // values of one form
	maxKept   = 4 << 20  // bytes of one file that the desk reads back
	maxKeys   = 200      // key files listed

	pageSize   = 50  // rows of a list a page
	choiceSize = 500 // things offered to choose from; more are found by typing their number

	keptLife = 30 * 24 * time.Hour // a form that was signed is forgotten after this

	warmEvery = 10 * time.Minute
	pauseUp   = 4 * time.Second // between two looks at the log
	pauseDown = 2 * time.Second // between two tries of a dead link

	freeFor = time.Minute // a mark that was free is asked for again after this
	maxUsed = 5000        // names of which it is remembered whether they are on record

	maxFlash   = 20
	maxAnswers = 2000 // answers remembered for pages that wait for them
)
