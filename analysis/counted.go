package analysis

// Counted adds what was counted before the first cycle that is recalled, where
// not all stored cycles are.
func (b *Brake) Counted(full, jogs int64) {
	b.verdict.Full += full
	b.verdict.Jogs += jogs
}
