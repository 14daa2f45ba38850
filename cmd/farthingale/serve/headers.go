package serve

import "github.com/labstack/echo/v4"

// PagePolicy is what a page may load and do: only what comes from this house, no script and no style
// within a page, no frame around it. Files that were uploaded are sent under FilePolicy.
//
// source: W3C, Content Security Policy Level 3; OWASP ASVS 5.0, 3.4.3 and 3.4.6 (from memory)
const (
	PagePolicy = "default-src 'self'; img-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
	FilePolicy = "default-src 'none'; sandbox"
)

// Fixed are the headers of every answer, whatever it is.
var Fixed = map[string]string{
	"X-Content-Type-Options":       "nosniff",
	"X-Frame-Options":              "DENY",
	"Referrer-Policy":              "same-origin",
	"Cross-Origin-Opener-Policy":   "same-origin",
	"Cross-Origin-Resource-Policy": "same-origin",
	"Permissions-Policy":           "geolocation=(), microphone=()",
}

// Transport is the Strict-Transport-Security of every answer where the pages are served under TLS:
// browsers come back by https only, for a year.
const Transport = "max-age=31536000"

// headers are set on every answer before anything can write it. What is not said otherwise is kept
// by nobody on the way.
func headers(tls bool) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			h := c.Response().Header()
			for name, value := range Fixed {
				h.Set(name, value)
			}
			h.Set("Content-Security-Policy", PagePolicy)
			h.Set("Cache-Control", "no-store")
			c.Response().Before(func() {
				if h.Get("Cache-Control") == "" { // http.ServeContent takes it from its own refusals
					h.Set("Cache-Control", "no-store")
				}
			})
			if tls {
				h.Set("Strict-Transport-Security", Transport)
			}
			return next(c)
		}
	}
}
