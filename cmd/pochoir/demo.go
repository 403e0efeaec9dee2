package main

import (
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"os"
	"path/filepath"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/svgout"
)

var demoCommand = command{
	name: "demo",
	args: "FOLDER",
	doc:  "draw the harbour pictures to try things on",
	more: "Each object comes inked (NAME.png), flat (NAME-flat.png) and in ink alone\n" +
		"(NAME-ink.png), some as snapshots too; truth/ holds the vectors they were made from;\n" +
		"dusk.txt and fog.txt are colourways for them.",
	examples: []string{"pochoir demo harbour", "pochoir demo harbour --size 1024"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		d := &demonstration{size: demo.Side}
		return []cli.Option{
			{Name: "size", Arg: "PX", Doc: fmt.Sprintf("width and height of the pictures, default %d", demo.Side), Set: count(&d.size, 64, 4096)},
			{Name: "quiet", Also: "q", Doc: "no report", Set: yes(&d.quiet)},
		}, d.run
	},
}

// demonstration is one run of the demo command.
type demonstration struct {
	size  int
	quiet bool
}

// Objects that are also shown as snapshots, and how well these are kept.
var snapshots = map[string]bool{"lantern": true, "crab": true}

const (
	snapshotQuality = 88
	contactColumns  = 6
)

func (d *demonstration) run(e *env, args []string) error {
	if len(args) != 1 {
		return cli.Usagef("want one folder, got %d", len(args))
	}
	folder := args[0]
	truth := filepath.Join(folder, "truth")
	if err := os.MkdirAll(truth, 0o777); err != nil {
		return fmt.Errorf("%s: the folder cannot be made: %w", folder, bare(err))
	}
	var all []demo.Picture
	names := demo.Objects()
	for kind := demo.Inked; kind <= demo.Ink; kind++ {
		for i, name := range names {
			if err := e.ctx.Err(); err != nil {
				return err
			}
			p, _ := demo.Draw(name, kind)
			clear := e.progress(d.quiet, int(kind)*len(names)+i, 3*len(names), p.Name)
			err := d.write(folder, p)
			clear()
			if err != nil {
				return err
			}
			all = append(all, p)
		}
	}
	if err := writePNG(filepath.Join(folder, "harbour.png"), demo.ContactSheet(all, contactColumns)); err != nil {
		return err
	}
	for _, c := range demo.Colourways() {
		err := atomicfile.Write(filepath.Join(folder, c.Name+".txt"), func(w io.Writer) error {
			_, err := io.WriteString(w, c.Text())
			return err
		})
		if err != nil {
			return err
		}
	}
	if !d.quiet {
		fmt.Fprintf(e.stderr, "%s: %d pictures of %d objects, an overview in harbour.png, the true vectors in truth\n", folder, len(all), len(names))
	}
	return nil
}

// write puts one picture, its truth and, for some, its snapshot into the folder.
func (d *demonstration) write(folder string, p demo.Picture) error {
	if err := writePNG(filepath.Join(folder, p.Name+".png"), p.Image(d.size)); err != nil {
		return err
	}
	err := atomicfile.Write(filepath.Join(folder, "truth", p.Name+".svg"), func(w io.Writer) error {
		return svgout.Write(w, p.Drawing, svgout.Options{})
	})
	if err != nil || p.Kind != demo.Inked || !snapshots[p.Object] {
		return err
	}
	return atomicfile.Write(filepath.Join(folder, p.Name+"-snapshot.jpg"), func(w io.Writer) error {
		return jpeg.Encode(w, p.Snapshot(), &jpeg.Options{Quality: snapshotQuality})
	})
}

// writePNG writes a picture to a file.
func writePNG(path string, m image.Image) error {
	return atomicfile.Write(path, func(w io.Writer) error {
		return (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(w, m)
	})
}
