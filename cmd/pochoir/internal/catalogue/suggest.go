package catalogue

import (
	"context"
	"database/sql"
	"errors"
	"sort"
	"strings"

	"pochoir/cmd/pochoir/internal/deliver/meta"
)

// Suggestion is a keyword that similar items carry.
type Suggestion struct {
	Word  string   `json:"word"`
	Score float64  `json:"score"` // 0..1: the share of what is similar that carries it, by how similar it is
	From  []string `json:"from"`  // up to three paths of items that carry it, the likest first
}

// How much an item counts as similar: by its look up to 1; less for a common word in title or name, and for a common
// keyword. Only this many are looked at in each way.
const (
	similarLikeness = 0.75
	wordWeight      = 0.5
	keywordWeight   = 0.3
	mostSimilar     = 100
	mostWords       = 40 // of a title
)

// Suggest proposes keywords for it, an item or the facts of a file that is none yet, from what similar items carry:
// those that look alike, whose title or name share a word with it, or that share a keyword. Keywords it has are left
// out, whatever their case and number.
func (c *Catalogue) Suggest(it *Item, limit int) (out []Suggestion, err error) {
	err = c.view(context.Background(), func(tx *sql.Tx) error {
		weight, err := c.similar(tx, it)
		if err != nil {
			return err
		}
		out, err = carried(tx, it, weight)
		return err
	})
	return out[:min(limit, len(out))], err
}

// similar returns the items similar to it, with how much each counts.
func (c *Catalogue) similar(tx *sql.Tx, it *Item) (map[int64]float64, error) {
	weight := map[int64]float64{}
	if it.Look != nil {
		near, err := nearLooks(tx, it.Look, it.ID, similarLikeness, mostSimilar)
		if err != nil {
			return nil, err
		}
		for _, n := range near {
			weight[n.ID] += n.Likeness * n.Likeness
		}
	}
	var items int
	if err := tx.QueryRow("SELECT count(*) FROM item").Scan(&items); err != nil {
		return nil, err
	}
	// what is in many items says little of each
	count := func(by float64, ids []int64) {
		for _, id := range ids {
			weight[id] += by * (1 - float64(len(ids))/float64(items+1))
		}
	}
	for i, w := range words(it.Title + " " + strings.NewReplacer("_", " ", ".", " ", "*", " ").Replace(stem(it.Path))) {
		if i == mostWords {
			break
		}
		groups, _ := w.groups()
		s, err := c.sets(tx, groups, nil)
		if err != nil {
			return nil, err
		}
		var ids []int64
		looked := 0
		var failed error
		err = s.walk(2*mostSimilar, func(id int64) bool {
			looked++
			var other *Item
			if other, failed = get(tx, id); failed != nil {
				return false
			}
			// a word of the description says too little
			if other != nil && id != it.ID && w.inAny(append([]string{other.Title, other.Path}, other.Keywords...)) {
				ids = append(ids, id)
			}
			return len(ids) < mostSimilar && looked < 2*mostSimilar
		})
		if err = errors.Join(err, failed); err != nil {
			return nil, err
		}
		count(wordWeight, ids)
	}
	for _, k := range it.Keywords {
		ids, err := list(tx, scanID, "SELECT item FROM keyword WHERE fold = ? AND item <> ? ORDER BY item DESC LIMIT ?", meta.Fold(k), it.ID, mostSimilar)
		if err != nil {
			return nil, err
		}
		count(keywordWeight, ids)
	}
	return weight, nil
}

// carried weighs the keywords of the similar items.
func carried(tx *sql.Tx, it *Item, weight map[int64]float64) ([]Suggestion, error) {
	ids := make([]int64, 0, len(weight))
	for id := range weight {
		ids = append(ids, id)
	}
	sort.Slice(ids, func(i, j int) bool {
		a, b := weight[ids[i]], weight[ids[j]]
		return a > b || a == b && ids[i] < ids[j]
	})
	has := map[string]bool{}
	for _, k := range it.Keywords {
		has[meta.Singular(meta.Fold(k))] = true
	}
	at := map[string]int{}
	var out []Suggestion
	total := 0.0
	for _, id := range ids {
		words, err := list(tx, scanString, "SELECT word FROM keyword WHERE item = ? ORDER BY place", id)
		if err != nil {
			return nil, err
		}
		if len(words) == 0 {
			continue // says nothing for or against a keyword
		}
		var p string
		if err := tx.QueryRow("SELECT path FROM item WHERE id = ?", id).Scan(&p); err != nil {
			return nil, err
		}
		total += weight[id]
		for _, w := range words {
			root := meta.Singular(meta.Fold(w))
			if has[root] {
				continue
			}
			i, ok := at[root]
			if !ok {
				i = len(out)
				at[root] = i
				out = append(out, Suggestion{Word: w})
			}
			out[i].Score += weight[id]
			if len(out[i].From) < 3 {
				out[i].From = append(out[i].From, p)
			}
		}
	}
	for i := range out {
		out[i].Score = min(1, round(out[i].Score/total))
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Score > out[j].Score })
	return out, nil
}
