package table

import (
	"bytes"
	"crypto/subtle"
	"embed"
	"net/http"
	"path"
	"slices"
	"strings"
	"time"

	"golang.org/x/image/font/gofont/goitalic"
	"golang.org/x/image/font/gofont/gomedium"
	"golang.org/x/image/font/gofont/goregular"
)

//go:embed web
var web embed.FS

// policy is the Content-Security-Policy: the page runs its own files and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self' blob:; connect-src 'self'; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// ServeHTTP lets in who may, and hands on what they ask for.
func (t *Table) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	// Another name for this machine means that a page of another site has been led here.
	if !slices.Contains(t.hosts, r.Host) {
		http.Error(w, "not for this host", http.StatusForbidden)
		return
	}
	if o := r.Header.Get("Origin"); o != "" && o != "http://"+r.Host {
		http.Error(w, "not for this origin", http.StatusForbidden)
		return
	}
	prefix, rest, ok := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
	if !ok || subtle.ConstantTimeCompare([]byte(prefix), []byte(t.token)) != 1 {
		http.NotFound(w, r)
		return
	}
	// The first page may be come to from anywhere; all else is asked for by the page itself.
	if site := r.Header.Get("Sec-Fetch-Site"); rest != "" && site != "" && site != "same-origin" && site != "none" {
		http.Error(w, "not for this site", http.StatusForbidden)
		return
	}
	inner := r.Clone(r.Context())
	inner.URL.Path, inner.URL.RawPath = "/"+rest, ""
	t.mux.ServeHTTP(w, inner)
}

// fonts are the typefaces of the page, from the Go fonts.
var fonts = map[string][]byte{"regular.ttf": goregular.TTF, "medium.ttf": gomedium.TTF, "italic.ttf": goitalic.TTF}

// types are set here, as a system's own table of endings can be wrong.
var types = map[string]string{".html": "text/html; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8",
	".svg": "image/svg+xml", ".ttf": "font/ttf"}

// asset serves the files of the page.
func asset(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(r.URL.Path, "/")
	if name == "" {
		name = "index.html"
	}
	body, ok := fonts[strings.TrimPrefix(name, "font/")]
	if !ok || !strings.HasPrefix(name, "font/") {
		var err error
		if body, err = web.ReadFile("web/" + path.Clean("/" + name)[1:]); err != nil {
			http.NotFound(w, r)
			return
		}
	}
	w.Header().Set("Content-Type", types[path.Ext(name)])
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(body))
}
