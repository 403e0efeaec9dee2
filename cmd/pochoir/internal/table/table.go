// Package table is the light table: a page on this machine on which a picture's drawing lies over its original and is
// tuned. A Table hands out the page (plain files in web/, embedded) and answers it; it traces by the engine, keeps
// settings in the recipe beside each picture as they change, and writes drawings when asked. It opens no browser and
// prints nothing.
//
// Who may ask: every address begins with a token of this run, the Host must be the table's own, and so must the Origin
// where a browser tells one; everybody else gets nothing. Files are read and written in the folders the table was given,
// after symbolic links are followed. A Table is safe for concurrent use.
package table

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/recipe"
)

// Config says what lies on the table.
type Config struct {
	Pictures []string // pictures and folders; none means the working folder
	Port     int      // 0 lets the system choose
	Intake   intake.Options
	Title    func(svg string) string // what a drawing is called, by the name of its file
	// MostUpload bounds a picture that is dropped on the page, bytes; 0 means DefaultMostUpload.
	MostUpload int64
}

// DefaultMostUpload is the largest picture that may be dropped on the page, bytes.
const DefaultMostUpload = 512 << 20

// Table serves one run of the light table.
type Table struct {
	cfg    Config
	token  string
	hosts  []string // what the Host header may say
	folder string   // where dropped pictures go
	whole  bool     // the rack shows all of folder
	mux    *http.ServeMux
	ln     net.Listener
	events broker
	ctx    context.Context // ends with Serve

	mu       sync.Mutex
	pictures []*picture
	run      *run
	desks    []*desk // most recently used first

	thumbs sync.Mutex // one picture at a time is opened for the rack
}

// picture is one picture of the rack.
type picture struct {
	id, path string
	name     string // of the file
	file     sync.Mutex

	// Under Table.mu.
	failed string // why the last run failed, "" when it did not
	thumb  []byte
}

// endings are those of the pictures a folder is searched for; what a file really is, is told by its content.
var endings = []string{".png", ".jpg", ".jpeg", ".tif", ".tiff", ".webp", ".bmp", ".gif", ".heic", ".heif"}

// New looks for the pictures and opens the port, on the loopback interface only. Its errors name the file.
func New(cfg Config) (*Table, error) {
	t := &Table{cfg: cfg, ctx: context.Background()}
	if t.cfg.MostUpload == 0 {
		t.cfg.MostUpload = DefaultMostUpload
	}
	if len(cfg.Pictures) == 0 {
		t.cfg.Pictures = []string{"."}
	}
	for _, p := range t.cfg.Pictures {
		info, err := os.Stat(p)
		if err != nil {
			return nil, fmt.Errorf("%s: cannot be opened: %w", p, bare(err))
		}
		folder := p
		if !info.IsDir() {
			folder = filepath.Dir(p)
		}
		real, err := filepath.EvalSymlinks(folder)
		if err == nil {
			real, err = filepath.Abs(real)
		}
		if err != nil {
			return nil, fmt.Errorf("%s: cannot be opened: %w", folder, bare(err))
		}
		if t.folder == "" {
			t.folder, t.whole = real, info.IsDir()
		}
		if !info.IsDir() {
			at := filepath.Join(real, filepath.Base(p))
			if !inside(at, real) {
				return nil, fmt.Errorf("%s: is a link to somewhere else; name the picture itself", p)
			}
			t.add(at)
			continue
		}
		if err := t.search(real); err != nil {
			return nil, err
		}
	}
	secret := make([]byte, 24)
	if _, err := rand.Read(secret); err != nil {
		return nil, err
	}
	t.token = hex.EncodeToString(secret)
	ln, err := net.Listen("tcp4", fmt.Sprintf("127.0.0.1:%d", cfg.Port))
	if err != nil {
		return nil, fmt.Errorf("port %d cannot be opened: %w", cfg.Port, err)
	}
	t.ln = ln
	port := ln.Addr().(*net.TCPAddr).Port
	t.hosts = []string{fmt.Sprintf("127.0.0.1:%d", port), fmt.Sprintf("localhost:%d", port)}
	t.mux = t.routes()
	return t, nil
}

// Address is where the page is; only who knows it gets in.
func (t *Table) Address() string { return "http://" + t.hosts[0] + "/" + t.token + "/" }

// Serve answers until ctx ends.
func (t *Table) Serve(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	t.ctx = ctx
	s := &http.Server{Handler: t, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10,
		BaseContext: func(net.Listener) context.Context { return ctx }}
	done := make(chan error, 1)
	go func() { done <- s.Serve(t.ln) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	grace, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	s.Shutdown(grace)
	s.Close()
	return nil
}

// search adds the pictures of a folder, in the order of their names.
func (t *Table) search(folder string) error {
	list, err := os.ReadDir(folder)
	if err != nil {
		return fmt.Errorf("%s: cannot be read: %w", folder, bare(err))
	}
	for _, e := range list {
		if strings.HasPrefix(e.Name(), ".") || !slices.Contains(endings, strings.ToLower(filepath.Ext(e.Name()))) {
			continue
		}
		if at := filepath.Join(folder, e.Name()); inside(at, folder) {
			t.add(at)
		}
	}
	return nil
}

// inside reports whether path, links followed, is a plain file in folder itself, which is a real path.
func inside(path, folder string) bool {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return false
	}
	info, err := os.Stat(real)
	return err == nil && info.Mode().IsRegular() && filepath.Dir(real) == folder
}

// add puts a picture on the rack, once.
func (t *Table) add(path string) *picture {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, p := range t.pictures {
		if p.path == path {
			return p
		}
	}
	sum := sha256.Sum256([]byte(path))
	p := &picture{id: hex.EncodeToString(sum[:8]), path: path, name: filepath.Base(path)}
	t.pictures = append(t.pictures, p)
	return p
}

// rack lists the pictures that are there.
func (t *Table) rack() []*picture {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.pictures = slices.DeleteFunc(t.pictures, func(p *picture) bool {
		_, err := os.Lstat(p.path)
		return errors.Is(err, fs.ErrNotExist)
	})
	return slices.Clone(t.pictures)
}

func (t *Table) find(id string) *picture {
	for _, p := range t.rack() {
		if p.id == id {
			return p
		}
	}
	return nil
}

// open opens a picture again, unless it has become a link to another place meanwhile.
func (t *Table) open(p *picture) (*intake.File, error) {
	if !inside(p.path, filepath.Dir(p.path)) {
		return nil, fmt.Errorf("%s: is not in its folder any more", p.name)
	}
	return intake.OpenFile(p.path, t.cfg.Intake)
}

func (p *picture) svg() string    { return strings.TrimSuffix(p.path, filepath.Ext(p.path)) + ".svg" }
func (p *picture) recipe() string { return recipe.Beside(p.path) }

// ownFile returns an error where path is something that must not be read or replaced: a link or a folder.
func ownFile(path string) error {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("%s: %w", filepath.Base(path), bare(err))
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s: is a link or a folder; the table leaves it alone", filepath.Base(path))
	}
	return nil
}

// bare takes the path off an error of the system.
func bare(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
