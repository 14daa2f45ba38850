package web

import (
	"encoding"
	"errors"
	"mime"
	"net/http"
	"net/url"
	"reflect"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// Form is a form as the template "form" shows it. After a refusal it comes back with what was typed,
// a summary, and the fault beside each field.
type Form struct {
	Action    string
	CSRF      string
	Version   int64 // 0: nothing is changed that exists
	Multipart bool
	Quick     bool   // a page used standing up: nothing to press is smaller than 44 px
	Long      bool   // written over hours: its button stays at hand
	Part      string // tells the fields of several forms of one page apart
	Draft     string // a module keeps it while one writes (draft.js): "save", or "hold" until it is sent
	Legend    string
	Below     bool // the legend stands one level below the heading of its section
	Help      string
	Fields    []Field
	Submit    string
	Instead   []Link // further buttons: what was typed goes to another act's form
	Grave     bool   // an act that cannot be taken back
	Fault     *Fault
}

// Fault is the summary above a refused form.
type Fault struct {
	Message string
	Rule    string
	Links   []FieldFault
	Missing []string
	Outside []string
}

// FieldFault leads to a faulty field.
type FieldFault struct{ ID, Label, Message string }

// Field is one field. Kind is an input type ("text", "number", "date", "datetime-local", "password",
// "file", "hidden", "email", "checkbox"), or "textarea", "select", "radio", "checks" (several of Options), or
// "group" (a fieldset of Fields under Label), "abreast" (Fields side by side that belong to one thing), "folded" (Fields that few need, folded under Label until one
// of them is faulty), or "more" (a button that shows the form again with more rows of Name).
type Field struct {
	Kind     string
	Name     string // path of the command's json names: "methods.0.note"
	ID       string
	Label    string
	Help     string
	Value    string
	Options  []Option
	Fields   []Field
	Required bool
	Max      int
	Rows     int
	Step     string
	List     string // ID of a datalist
	Accept   string
	Multiple bool
	Fills    string // what a browser may fill in (autocomplete): "username", "new-password", "one-time-code"
	Camera   bool   // a "file" that a tablet's camera fills
	Tiles    bool   // the choices of "radio" and "checks" stand as large tiles
	Theirs   string // what somebody else has kept here while this was written
	Fault    string
}

// Option is one choice; Group starts a labelled group of choices in a select when it changes.
type Option struct {
	Value, Label string
	Image        string // path of a small picture of it; "": none
	Chosen       bool
}

// options makes choices from words; snake_case is shown with spaces.
func options[T ~string](chosen string, words ...T) []Option {
	all := make([]Option, len(words))
	for i, w := range words {
		all[i] = Option{Value: string(w), Label: plain(string(w)), Chosen: string(w) == chosen}
	}
	return all
}

// plain shows a snake_case word with spaces.
func plain(word string) string { return strings.ReplaceAll(word, "_", " ") }

// ready gives every field its ID and the form its token.
func (f *Form) ready(c echo.Context) *Form {
	f.CSRF, _ = c.Get(csrfKey).(string)
	prefix := "f-"
	if f.Part != "" {
		prefix += f.Part + "-"
	}
	name(f.Fields, prefix)
	f.comeBack(f.Fields)
	return f
}

func name(fields []Field, prefix string) {
	for i := range fields {
		fields[i].ID = prefix + strings.ReplaceAll(fields[i].Name, ".", "-")
		name(fields[i].Fields, prefix)
	}
}

// comeBack makes a button for more rows lead back to where it stands in the page.
func (f *Form) comeBack(fields []Field) {
	for i := range fields {
		if fields[i].Kind == "more" {
			fields[i].Value = f.Action + "#" + fields[i].ID
		}
		f.comeBack(fields[i].Fields)
	}
}

// More says whether the form has a button "more". Then the key Enter must still send the form: its
// first button, which nobody sees, is the one that does.
func (f *Form) More() bool { return hasMore(f.Fields) }

func hasMore(fields []Field) bool {
	for _, f := range fields {
		if f.Kind == "more" || hasMore(f.Fields) {
			return true
		}
	}
	return false
}

// moreRows says of which list a button "more" asks for more rows, or "". Such a form is shown again
// with what was typed; it is not an act yet.
func moreRows(c echo.Context) (string, error) {
	if _, err := c.FormParams(); err != nil {
		return "", unreadableForm(err)
	}
	sent := c.Request().PostForm
	list := sent.Get(moreKey)
	sent.Del(moreKey)
	return list, nil
}

// again puts back what was typed, and judges nothing.
func (f *Form) again(c echo.Context, typed url.Values) *Form {
	f.ready(c)
	fill(f.Fields, typed, nil, &Fault{})
	return f
}

// refused puts back what was typed and says what is wrong. It returns err when err is nothing that a
// person may read.
func (f *Form) refused(typed url.Values, err error) error {
	var e *domain.Error
	if !errors.As(err, &e) || e.Kind == domain.KindUnauthenticated || e.Kind == domain.KindUnavailable || e.Kind == domain.KindNotFound {
		return err
	}
	f.Fault = &Fault{Message: e.Message, Rule: e.Rule(), Missing: e.Missing, Outside: e.Outside}
	faults := map[string]string{}
	for _, field := range e.Fields {
		faults[strings.ReplaceAll(strings.TrimPrefix(field.Pointer, "/"), "/", ".")] = field.Message
	}
	fill(f.Fields, typed, faults, f.Fault)
	unplaced := make([]string, 0, len(faults))
	for at := range faults {
		unplaced = append(unplaced, at)
	}
	sort.Strings(unplaced)
	for _, at := range unplaced {
		f.Fault.Links = append(f.Fault.Links, FieldFault{Label: plain(at), Message: faults[at]})
	}
	return nil
}

// fill puts typed values and faults into fields, and takes from faults those that found their field.
func fill(fields []Field, typed url.Values, faults map[string]string, summary *Fault) {
	for i := range fields {
		f := &fields[i]
		values, was := typed[f.Name]
		switch f.Kind {
		case "select", "radio", "checks":
			for j := range f.Options {
				f.Options[j].Chosen = false
				for _, v := range values {
					f.Options[j].Chosen = f.Options[j].Chosen || v == f.Options[j].Value
				}
			}
		case "checkbox":
			f.Value = ""
			if was {
				f.Value = "true"
			}
		case "password", "file", "group", "abreast", "folded", "more":
		default:
			if was {
				f.Value = values[0]
			}
		}
		if message, ok := faults[f.Name]; ok && f.Name != "" {
			f.Fault = message
			summary.Links = append(summary.Links, FieldFault{ID: f.ID, Label: f.Label, Message: message})
			delete(faults, f.Name)
		}
		before := len(summary.Links)
		fill(f.Fields, typed, faults, summary)
		if f.Kind == "folded" && len(summary.Links) > before {
			f.Value = "open"
		}
	}
}

// decode reads a form into a command by its json names ("methods.0.note"). Empty fields leave the
// zero value; rows of a list that are wholly empty are dropped and the others move up, so that a
// fault of the second row kept is beside the second row shown; names that the command does not know
// are refused. It gives the version that the form was made from, and what was typed. The address
// names the thing, the body the command: nothing of the query is read.
func (s *Server) decode(c echo.Context, command any) (version int64, typed url.Values, err error) {
	if _, err = c.FormParams(); err != nil {
		return 0, nil, unreadableForm(err)
	}
	return s.read(c.Request().PostForm, command)
}

// read is decode for a form that was taken from the request in another way.
func (s *Server) read(sent url.Values, command any) (version int64, typed url.Values, err error) {
	own := url.Values{}
	for key, values := range sent {
		switch key {
		case csrfKey:
		case versionKey:
			if version, err = strconv.ParseInt(values[0], 10, 64); err != nil {
				return 0, own, domain.ErrStale
			}
		default:
			own[key] = values
		}
	}
	form, err := grow(own)
	if err != nil {
		return version, own, err
	}
	form.moveUp()
	r := formReader{zone: s.Site.Zone}
	r.into(reflect.ValueOf(command).Elem(), form, "")
	return version, form.values(), domain.InvalidFields(r.faults)
}

// readForm sees that a form came, whole and no other kind of content, before anything is done by it.
func readForm(c echo.Context) error {
	kind, _, err := mime.ParseMediaType(c.Request().Header.Get("Content-Type"))
	if err != nil || kind != echo.MIMEApplicationForm && kind != echo.MIMEMultipartForm {
		return &domain.Error{Kind: domain.KindUnsupported, Code: "form", Message: "The pages take forms only. Programs use the API."}
	}
	if _, err := c.FormParams(); err != nil {
		return unreadableForm(err)
	}
	return nil
}

func unreadableForm(err error) error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return &domain.Error{Kind: domain.KindTooLarge, Code: "form", Message: "The form is too large. Send less at a time.", Err: err}
	}
	return &domain.Error{Kind: domain.KindUnparseable, Code: "form", Message: "The form cannot be read. Go back, look at it and send it again.", Err: err}
}

// branch is a form as a tree of names.
type branch struct {
	typed    []string
	children map[string]*branch
}

// How deep and how wide a form may be; no page of ours comes near.
const (
	formDepth = 8
	formNames = 5000
	formRows  = 1000
)

func grow(values url.Values) (*branch, error) {
	if len(values) > formNames {
		return nil, unreadableForm(errors.New("too many names"))
	}
	root := &branch{children: map[string]*branch{}}
	for key, v := range values {
		if strings.Count(key, ".") >= formDepth {
			return nil, unreadableForm(errors.New("a name is too deep"))
		}
		at := root
		for part := range strings.SplitSeq(key, ".") {
			next, ok := at.children[part]
			if !ok {
				next = &branch{children: map[string]*branch{}}
				at.children[part] = next
			}
			at = next
		}
		at.typed = v
	}
	return root, nil
}

// empty says whether nothing was typed below here.
func (b *branch) empty() bool {
	for _, v := range b.typed {
		if strings.TrimSpace(v) != "" {
			return false
		}
	}
	for _, child := range b.children {
		if !child.empty() {
			return false
		}
	}
	return true
}

// rows are the names of the children in the order of their numbers, when all of them are numbers.
func (b *branch) rows() (names []string, ok bool) {
	for key := range b.children {
		if n, err := strconv.Atoi(key); err != nil || n < 0 || n >= formRows || strconv.Itoa(n) != key {
			return nil, false
		}
		names = append(names, key)
	}
	sort.Slice(names, func(i, j int) bool {
		a, _ := strconv.Atoi(names[i])
		b, _ := strconv.Atoi(names[j])
		return a < b
	})
	return names, true
}

// moveUp drops the rows that are wholly empty and counts the others anew.
func (b *branch) moveUp() {
	if names, ok := b.rows(); ok {
		kept := map[string]*branch{}
		for _, name := range names {
			if !b.children[name].empty() {
				kept[strconv.Itoa(len(kept))] = b.children[name]
			}
		}
		b.children = kept
	}
	for _, child := range b.children {
		child.moveUp()
	}
}

// values is the tree as a form again.
func (b *branch) values() url.Values {
	all := url.Values{}
	var walk func(at *branch, name string)
	walk = func(at *branch, name string) {
		if at.typed != nil {
			all[name] = at.typed
		}
		for key, child := range at.children {
			if name == "" {
				walk(child, key)
			} else {
				walk(child, name+"."+key)
			}
		}
	}
	walk(b, "")
	return all
}

const unknownField = "The form has a field that is not known here. Load the page anew."

// formReader puts a tree of typed values into a command, and notes every fault.
type formReader struct {
	zone   *time.Location
	faults []domain.Field
}

var (
	textUnmarshaler = reflect.TypeFor[encoding.TextUnmarshaler]()
	timeType        = reflect.TypeFor[time.Time]()
	secretType      = reflect.TypeFor[domain.Secret]()
	decimalType     = reflect.TypeFor[decimal.Decimal]()
)

func (r *formReader) into(v reflect.Value, b *branch, at string) {
	bad := func(rule, message string) {
		r.faults = append(r.faults, domain.Field{Pointer: at, Rule: rule, Message: message})
	}
	plainValue := v.Type() == timeType || reflect.PointerTo(v.Type()).Implements(textUnmarshaler) ||
		(v.Kind() != reflect.Struct && v.Kind() != reflect.Slice && v.Kind() != reflect.Pointer)
	switch {
	case plainValue && len(b.children) > 0, v.Kind() == reflect.Struct && !plainValue && len(b.typed) > 0:
		bad("unknown", unknownField)
		return
	}
	if v.Kind() == reflect.Pointer {
		if b.empty() {
			return
		}
		v.Set(reflect.New(v.Type().Elem()))
		r.into(v.Elem(), b, at)
		return
	}
	text := ""
	if len(b.typed) > 0 {
		text = strings.TrimSpace(b.typed[0])
	}
	switch {
	case v.Type() == timeType:
		if text != "" {
			t, err := parseTime(text, r.zone)
			if err != nil {
				bad("time", "A day and a time, such as 2026-02-06T16:00.")
				return
			}
			v.Set(reflect.ValueOf(t))
		}
		return
	case v.Type() == decimalType:
		if text != "" {
			d, err := domain.ParseDecimal(strings.Replace(text, ",", ".", 1))
			if err != nil {
				bad("type", "A number, such as 12.5.")
				return
			}
			v.Set(reflect.ValueOf(d))
		}
		return
	case reflect.PointerTo(v.Type()).Implements(textUnmarshaler):
		if text != "" {
			if err := v.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(text)); err != nil {
				bad("type", "This cannot be read. Look at the help beside the field.")
			}
		}
		return
	}
	switch v.Kind() {
	case reflect.String:
		switch {
		case len(b.typed) == 0:
		case v.Type() == secretType: // exactly as typed
			v.SetString(b.typed[0])
		default:
			v.SetString(strings.ReplaceAll(strings.TrimSpace(b.typed[0]), "\r\n", "\n"))
		}
	case reflect.Bool:
		switch text {
		case "true", "on":
			v.SetBool(true)
		case "", "false":
		default:
			bad("type", "Tick it or leave it.")
		}
	case reflect.Int, reflect.Int64, reflect.Int32, reflect.Int16:
		if text != "" {
			n, err := strconv.ParseInt(text, 10, v.Type().Bits())
			if err != nil {
				bad("type", "A whole number.")
				return
			}
			v.SetInt(n)
		}
	case reflect.Float64, reflect.Float32:
		if text != "" {
			n, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
			if err != nil || n != n || n > 1e300 || n < -1e300 {
				bad("type", "A number, such as 12.5.")
				return
			}
			v.SetFloat(n)
		}
	case reflect.Slice:
		r.slice(v, b, at)
	case reflect.Struct:
		r.record(v, b, at)
	default:
		bad("type", "This cannot be sent by a form.")
	}
}

func (r *formReader) slice(v reflect.Value, b *branch, at string) {
	for _, value := range b.typed { // several values of one name: checks
		if strings.TrimSpace(value) == "" {
			continue
		}
		item := reflect.New(v.Type().Elem()).Elem()
		r.into(item, &branch{typed: []string{value}}, at+"/"+strconv.Itoa(v.Len()))
		v.Set(reflect.Append(v, item))
	}
	rows, ok := b.rows()
	if !ok {
		r.faults = append(r.faults, domain.Field{Pointer: at, Rule: "unknown", Message: unknownField})
	}
	for _, row := range rows {
		item := reflect.New(v.Type().Elem()).Elem()
		r.into(item, b.children[row], at+"/"+row)
		v.Set(reflect.Append(v, item))
	}
}

func (r *formReader) record(v reflect.Value, b *branch, at string) {
	known := map[string]bool{}
	r.fields(v, b, at, known)
	for key := range b.children {
		if !known[key] {
			r.faults = append(r.faults, domain.Field{Pointer: at + "/" + key, Rule: "unknown", Message: unknownField})
		}
	}
}

func (r *formReader) fields(v reflect.Value, b *branch, at string, known map[string]bool) {
	for i := range v.NumField() {
		f := v.Type().Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case !f.IsExported() || name == "-":
		case f.Anonymous && name == "":
			r.fields(v.Field(i), b, at, known)
		default:
			known[name] = true
			if child, ok := b.children[name]; ok {
				r.into(v.Field(i), child, at+"/"+name)
			}
		}
	}
}

// parseTime reads what browsers send for date and time fields, and RFC 3339. A time without an
// offset is of the site's zone.
func parseTime(text string, zone *time.Location) (time.Time, error) {
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04", "2006-01-02T15:04:05", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil && domain.TimeKept(t) {
			return t, nil
		}
	}
	return time.Time{}, errors.New("not a time")
}
