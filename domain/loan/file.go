package loan

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
