// Package contract holds exchanges against an OpenAPI document. It knows nothing of the house: the
// validator behind it is slow to compile, and need not be compiled again when the house changes.
package contract

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"strings"
	"sync"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/pb33f/libopenapi-validator/config"
	"github.com/pb33f/libopenapi-validator/content"
	validationerrors "github.com/pb33f/libopenapi-validator/errors"
	"github.com/pb33f/libopenapi-validator/paths"
	"github.com/pb33f/libopenapi-validator/radix"
	v3 "github.com/pb33f/libopenapi/datamodel/high/v3"
)

// Contract is a document that exchanges are held against.
type Contract struct {
	model   *v3.Document
	options *config.ValidationOptions // of the search for an operation
	checker validator.Validator
	mu      sync.Mutex
	covered map[string]bool
}

// New reads an OpenAPI 3.1 document as JSON.
func New(document []byte) (*Contract, error) {
	doc, err := libopenapi.NewDocument(document)
	if err != nil {
		return nil, err
	}
	model, err := doc.BuildV3Model()
	if err != nil {
		return nil, err
	}
	compiled := config.WithRegexCache(&sync.Map{})
	return &Contract{
		model: &model.Model, covered: map[string]bool{}, options: config.NewValidationOptions(compiled, config.WithPathTree(radix.BuildPathTree(&model.Model))),
		checker: validator.NewValidatorFromV3Model(&model.Model, config.WithFormatAssertions(), compiled, config.WithBodyDecoder("application/x-ndjson", lines{})),
	}, nil
}

// lines reads a JSON value a line, as a list of them.
type lines struct{}

func (lines) Decode(in *content.DecodeInput) (any, error) {
	all := []any{}
	for d := json.NewDecoder(in.Body); ; {
		var one any
		switch err := d.Decode(&one); {
		case errors.Is(err, io.EOF):
			return all, nil
		case err != nil:
			return nil, err
		}
		all = append(all, one)
	}
}

// Hold says in sentences what about the exchange is not as the contract says: an answer that is
// described otherwise, a request that was accepted though it should not be, an address that is not
// described.
func (k *Contract) Hold(r *http.Request, answer *http.Response) (faults []string) {
	_, lost, path := paths.FindPath(r, k.model, k.options)
	if len(lost) > 0 {
		if answer.StatusCode == http.StatusNotFound || answer.StatusCode == http.StatusMethodNotAllowed {
			return nil
		}
		return []string{fmt.Sprintf("%s %s is served (%d) but not in the contract", r.Method, r.URL.Path, answer.StatusCode)}
	}
	if r.Method == http.MethodHead || r.Method == http.MethodOptions {
		return nil
	}
	if answer.StatusCode < 300 {
		k.mu.Lock()
		k.covered[r.Method+" "+path] = true
		k.mu.Unlock()
		if ok, wrong := k.checker.ValidateHttpRequest(r); !ok {
			faults = append(faults, fmt.Sprintf("%s %s was accepted though the contract does not allow it: %s", r.Method, r.URL, told(wrong)))
		}
	}
	if ok, wrong := k.checker.ValidateHttpResponse(r, answer); !ok {
		faults = append(faults, fmt.Sprintf("%s %s: the answer %d is not as the contract says: %s", r.Method, r.URL, answer.StatusCode, told(wrong)))
	}
	return faults
}

func told(faults []*validationerrors.ValidationError) string {
	var b strings.Builder
	for _, f := range faults {
		b.WriteString(f.Message + " " + f.Reason)
		for _, s := range f.SchemaValidationErrors {
			b.WriteString("; " + s.FieldPath + " " + s.Reason)
		}
		b.WriteString("\n")
	}
	return b.String()
}

// Operations lists every documented operation as "GET /people/{id}", sorted.
func (k *Contract) Operations() []string {
	var all []string
	for path, item := range k.model.Paths.PathItems.FromOldest() {
		for method := range item.GetOperations().FromOldest() {
			all = append(all, strings.ToUpper(method)+" "+path)
		}
	}
	slices.Sort(all)
	return all
}

// Covered lists the operations that were answered with success, sorted.
func (k *Contract) Covered() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Sorted(maps.Keys(k.covered))
}
