//go:build unix

package fault

import (
	"fmt"
	"strings"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// listed is how many objects a list brings in.
const listed = 3

// importing is a list that is brought in, whole or not at all. What it wrote is found once when every object is
// there with its words and its event, and twice when only some of it is.
var importing = kind{"import of a list", func(w *world, n int) act {
	what := fmt.Sprintf("mask %d of a list", n)
	var list strings.Builder
	list.WriteString("number,title,kind,legal_status,department\n")
	for i := range listed {
		fmt.Fprintf(&list, "1998.%d.%d,Mask,%s,accessioned,%s\n", n+1, i+1, what, servetest.Department)
	}
	return act{path: "/imports/objects?dry_run=false", kind: "text/csv", token: w.who(domain.Registrar).Token, body: []byte(list.String()),
		countSQL: `select case (select count(*) from object where kind = $1)
				+ (select count(*) from object o join event e on e.subject_id = o.id and e.kind = 'added' where o.kind = $1 and o.words @@ 'mask'::tsquery)
			when 0 then 0 when 2 * $2 then 1 else 2 end`, args: []any{what, listed}}
}}
