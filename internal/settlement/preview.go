package settlement

// PreviewInput is a settlement from figures alone, without a ledger.
type PreviewInput struct {
	Terms Terms `json:"terms"`
	Lot   Lot   `json:"lot"`
}

// CompareInput is a comparison from figures alone.
type CompareInput struct {
	Terms      Terms      `json:"terms"`
	Lot        Lot        `json:"lot"`
	Return     Return     `json:"return"`
	Tolerances Tolerances `json:"tolerances"`
}

// Preview settles a PreviewInput in JSON.
func Preview(b []byte) (Statement, error) {
	var in PreviewInput
	if err := readJSON(b, maxPreviewBytes, "a preview", &in); err != nil {
		return Statement{}, err
	}
	return Settle(in.Lot, in.Terms)
}

// ComparePreview reconciles a CompareInput in JSON.
func ComparePreview(b []byte) (Reconciliation, error) {
	var in CompareInput
	if err := readJSON(b, maxPreviewBytes, "a comparison", &in); err != nil {
		return Reconciliation{}, err
	}
	ours, err := Settle(in.Lot, in.Terms)
	if err != nil {
		return Reconciliation{}, err
	}
	return Reconcile(ours, in.Return, in.Tolerances)
}
