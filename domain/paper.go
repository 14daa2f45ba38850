package domain

// Paper is a document made from the record, to be kept or sent.
type Paper struct {
	Name      string // "L.2026.3-agreement-v2.pdf": ASCII letters, digits, '.', '-', '_'
	MediaType string
	Content   []byte
}
