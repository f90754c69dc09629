package lab

import "time"

// SetSilence sets how long the server waits for the writer within a transaction.
func (w *Writer) SetSilence(d time.Duration) { w.silence = d }
