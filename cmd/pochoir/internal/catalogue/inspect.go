package catalogue

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"path/filepath"
	"sort"
	"strings"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/proof"
)

// Facts are what a file itself says. Of an Item they fill all but ID, Path, Added and Gone; Title, Description and
// Keywords are what a drawing or the text file beside it holds.
type Facts = Item

// Inspect reads a file, or the folder of a pack. kind "" is found out: an SVG file is a drawing, a folder a pack, any
// other file a picture. Errors name the file.
func Inspect(path string, kind Kind) (*Facts, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be read: %w", path, cause(err))
	}
	svg := strings.EqualFold(filepath.Ext(path), ".svg")
	if kind == "" {
		switch {
		case info.IsDir():
			kind = Pack
		case svg:
			kind = Drawing
		default:
			kind = Picture
		}
	}
	f := &Facts{Kind: kind, Modified: info.ModTime().UnixNano(), Bytes: info.Size()}
	switch {
	case info.IsDir() && kind != Pack:
		return nil, fmt.Errorf("%s: is a folder, no %s", path, kind)
	case !info.IsDir() && kind == Pack:
		return nil, fmt.Errorf("%s: is no folder, so no pack", path)
	case svg && kind != Drawing, !svg && kind == Drawing:
		return nil, fmt.Errorf("%s: drawings, and only they, are SVG files", path)
	case kind == Pack:
		f.Bytes, f.Hash, err = hashFolder(path)
		return f, err
	}
	if f.Hash, err = hashFile(path); err != nil {
		return nil, err
	}
	if kind == Drawing {
		return f, f.readDrawing(path)
	}
	return f, f.readPicture(path)
}

// hashFile returns the SHA-256 of a file's content in hexadecimal.
func hashFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("%s: cannot be read: %w", path, cause(err))
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", fmt.Errorf("%s: cannot be read: %w", path, cause(err))
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// hashFolder returns the size and one hash for the files of a folder, by their names and contents.
func hashFolder(path string) (size int64, hash string, err error) {
	entries, err := os.ReadDir(path)
	if err != nil {
		return 0, "", fmt.Errorf("%s: cannot be read: %w", path, cause(err))
	}
	all := sha256.New()
	for _, e := range entries { // by name
		if !e.Type().IsRegular() || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		h, err := hashFile(filepath.Join(path, e.Name()))
		if err != nil {
			return 0, "", err
		}
		if info, err := e.Info(); err == nil {
			size += info.Size()
		}
		fmt.Fprintf(all, "%s %q\n", h, e.Name())
	}
	return size, hex.EncodeToString(all.Sum(nil)), nil
}

// readPicture fills in what a picture shows.
func (f *Facts) readPicture(path string) error {
	p, err := intake.Open(path, intake.Options{})
	if err != nil {
		return err
	}
	f.Width, f.Height = float64(p.W), float64(p.H)
	s := shrink(p.Pix, p.W, p.H)
	f.Look = s.look()
	if f.Kind == Picture {
		f.Palette = s.palette()
	}
	return nil
}

// drawnSide is the long side in pixels at which a drawing is rendered to look at it.
const drawnSide = 512

// readDrawing fills in what a drawing shows and says. Of an SVG file that holds more than filled outlines only the size
// and the words are known.
func (f *Facts) readDrawing(path string) error {
	src, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("%s: cannot be read: %w", path, cause(err))
	}
	defer src.Close()
	d, err := svgout.Read(src)
	var words trace.Meta
	switch {
	case errors.Is(err, svgout.ErrForeign):
		if _, err := src.Seek(0, io.SeekStart); err != nil {
			return fmt.Errorf("%s: cannot be read: %w", path, cause(err))
		}
		sheet, err := survey.Read(src)
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		f.Width, f.Height, words = round(sheet.Width), round(sheet.Height), sheet.Meta
	case err != nil:
		return fmt.Errorf("%s: %s", path, strings.TrimPrefix(err.Error(), "svgout: "))
	default:
		f.Width, f.Height, words = round(d.Width), round(d.Height), d.Meta
		scale := drawnSide / max(d.Width, d.Height)
		clear := proof.Render(d, scale, nil)
		f.Palette = layerPalette(d, clear)
		f.Look = shrink(onWhite(clear), clear.Rect.Dx(), clear.Rect.Dy()).look()
	}
	if r, err := recipe.Load(recipe.Beside(path)); err == nil { // without one the drawing speaks for itself
		words = meta.Merge(words, r.Words())
	}
	own, err := sidecar(path)
	words = meta.Merge(words, own)
	f.Title, f.Description, f.Keywords = words.Title, words.Description, words.Keywords
	return err
}

// onWhite lays a picture with premultiplied transparency on white paper, in place.
func onWhite(m *image.RGBA) []uint8 {
	for i := 0; i+3 < len(m.Pix); i += 4 {
		rest := 255 - m.Pix[i+3]
		m.Pix[i], m.Pix[i+1], m.Pix[i+2], m.Pix[i+3] = m.Pix[i]+rest, m.Pix[i+1]+rest, m.Pix[i+2]+rest, 255
	}
	return m.Pix
}

// sidecar reads the text file beside a drawing, if there is one.
func sidecar(drawing string) (trace.Meta, error) {
	name := strings.TrimSuffix(drawing, filepath.Ext(drawing)) + meta.SidecarEnding
	f, err := os.Open(name)
	if err != nil {
		return trace.Meta{}, nil // none, or none that can be read: the drawing stands for itself
	}
	defer f.Close()
	return meta.ReadSidecar(f, name)
}

// packed lists the drawings a pack was made of, by the names its table has for them without ending.
func packed(folder string) ([]string, error) {
	f, err := os.Open(filepath.Join(folder, packTable))
	if err != nil {
		return nil, nil // a folder without a table is a pack whose drawings are unknown
	}
	defer f.Close()
	t, err := meta.ReadTable(f, filepath.Join(folder, packTable))
	if err != nil {
		return nil, err
	}
	var names []string
	for _, r := range t.Rows {
		names = append(names, stem(r.File))
	}
	sort.Strings(names)
	return names, nil
}

// packTable is the table in a pack's folder; a folder that holds one is taken for a pack.
const packTable = "pack.csv"
