package loan

// File is a paper made from a loan, to be kept or sent.
type File struct {
	Name      string // "L.2026.3-agreement-v2.pdf": ASCII letters, digits, '.', '-', '_'
	MediaType string
	Content   []byte
}

// Format is a paper of a loan in a format of files.
type Format struct {
	Name      string // the last part of its address: "agreement.pdf"
	MediaType string
}

// The papers of a loan (L5).
var (
	AgreementPDF  = Format{"agreement.pdf", "application/pdf"}
	AgreementDOCX = Format{"agreement.docx", "application/vnd.openxmlformats-officedocument.wordprocessingml.document"}
	ScheduleXLSX  = Format{"schedule.xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}
	ScheduleCSV   = Format{"schedule.csv", "text/csv; charset=utf-8"}

	Formats = []Format{AgreementPDF, AgreementDOCX, ScheduleXLSX, ScheduleCSV}
)
