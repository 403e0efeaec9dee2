// Package csvtext opens tables of comma-separated values as spreadsheets write them.
package csvtext

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"strings"

	"golang.org/x/text/encoding/unicode"
)

// NewReader returns a reader of the records (RFC 4180) in r, which is an error from limit bytes on. Text may be UTF-8, with
// or without a byte order mark, or UTF-16 with one. Fields may be parted by commas or, where the first line has none, by
// semicolons or tabs.
func NewReader(r io.Reader, limit int64) *csv.Reader {
	br := bufio.NewReader(&bounded{r, limit, limit})
	if b, err := br.Peek(2); err == nil && (string(b) == "\xff\xfe" || string(b) == "\xfe\xff") {
		br = bufio.NewReader(unicode.UTF16(unicode.LittleEndian, unicode.ExpectBOM).NewDecoder().Reader(br))
	} else if b, err := br.Peek(3); err == nil && string(b) == "\ufeff" {
		br.Discard(3)
	}
	head, _ := br.Peek(4096)
	line, _, _ := strings.Cut(string(head), "\n")
	out := csv.NewReader(br)
	if !strings.Contains(line, ",") {
		switch {
		case strings.Contains(line, ";"):
			out.Comma = ';'
		case strings.Contains(line, "\t"):
			out.Comma = '\t'
		}
	}
	return out
}

// bounded fails where there is more to read than its limit.
type bounded struct {
	r           io.Reader
	left, limit int64
}

func (b *bounded) Read(p []byte) (int, error) {
	n, err := b.r.Read(p[:min(int64(len(p)), b.left+1)])
	if b.left -= int64(n); b.left < 0 {
		return 0, fmt.Errorf("larger than %d MiB", b.limit>>20)
	}
	return n, err
}
