package api

import (
	"fmt"
	"net/http"
	"sync"

	"github.com/labstack/echo/v4"

	"farthingale/openapi"
)

var contract = sync.OnceValues(openapi.Document)

// document serves GET /api/v1/openapi.json, to anybody.
func (s *Server) document(c echo.Context) error {
	b, err := contract()
	if err != nil {
		return fmt.Errorf("read the contract: %w", err)
	}
	return c.JSONBlob(http.StatusOK, b)
}
