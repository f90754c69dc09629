package document

import "bytes"

// PlainPDF is the report as PDF without compression, for reading it in tests,
// and the number of its pages.
func (d Document) PlainPDF() ([]byte, int, error) {
	p := newPDF(d, 1, false)
	p.write()
	var b bytes.Buffer
	err := p.f.Output(&b)
	return b.Bytes(), p.f.PageCount(), err
}

// ChecklistItems is how many lines the checklist has.
var ChecklistItems = len(checklistItems)
