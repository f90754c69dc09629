package export

import (
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"time"

	"lidded/driver"
	"lidded/sweep"
)

// Schema is the published JSON Schema (draft 2020-12) of the description.
//
//go:embed export.schema.json
var Schema []byte

// Names of the files beside the tables.
const (
	DescriptionFile = "datapackage.json"
	SchemaFile      = "export.schema.json"
)

// The profiles of the Data Package standard that the description follows.
const (
	packageProfile  = "https://datapackage.org/profiles/2.0/datapackage.json"
	resourceProfile = "https://datapackage.org/profiles/2.0/dataresource.json"
	tableProfile    = "https://datapackage.org/profiles/2.0/tableschema.json"
)

const about = "Shielding effectiveness (SE) of enclosures under test: reference level minus enclosed level, in dB. " +
	"Read se_relation first: a measured value stands in se_db, a lower bound in se_at_least_db. An empty cell is a value that is not there. " +
	"A text that a spreadsheet would run as a formula stands behind an apostrophe."

// Description describes the files of an export.
type Description struct {
	Profile     string     `json:"$schema"`
	Name        string     `json:"name"`
	ID          string     `json:"id"`
	Title       string     `json:"title"`
	Description string     `json:"description"`
	Run         RunFacts   `json:"run"`
	Resources   []Resource `json:"resources"`
}

// RunFacts is what stands behind the tables.
type RunFacts struct {
	ID          sweep.RunID      `json:"id"`
	Bench       string           `json:"bench"`
	Plan        string           `json:"plan"`
	Capture     string           `json:"capture"`
	HandRead    bool             `json:"hand_read"`
	Operator    string           `json:"operator"`
	Trigger     string           `json:"trigger"`
	Software    string           `json:"software"`
	Analyzer    string           `json:"analyzer"`
	Source      string           `json:"source"`
	Created     time.Time        `json:"created"`
	Started     *time.Time       `json:"started"`
	Ended       *time.Time       `json:"ended"`
	State       string           `json:"state"`
	Reason      string           `json:"reason"`
	Requirement *Requirement     `json:"requirement"`
	Specimens   []sweep.Specimen `json:"specimens"`
	Notes       []string         `json:"notes"`
}

// Requirement is the line that the results were judged by.
type Requirement struct {
	Name     string `json:"name"`
	Title    string `json:"title"`
	Standard string `json:"standard"`
	Edition  string `json:"edition"`
	Mark     string `json:"mark"`
	Note     string `json:"note"`
}

// Resource describes one table's file.
type Resource struct {
	Profile     string      `json:"$schema"`
	Name        string      `json:"name"`
	Path        string      `json:"path"`
	Type        string      `json:"type"`
	Title       string      `json:"title"`
	Description string      `json:"description"`
	Format      string      `json:"format"`
	MediaType   string      `json:"mediatype"`
	Encoding    string      `json:"encoding"`
	Bytes       int64       `json:"bytes"`
	Hash        string      `json:"hash"`
	Schema      TableSchema `json:"schema"`
}

// TableSchema describes the columns of a table.
type TableSchema struct {
	Profile       string   `json:"$schema"`
	Fields        []Field  `json:"fields"`
	MissingValues []string `json:"missingValues"`
	PrimaryKey    []string `json:"primaryKey"`
}

// Write writes all files of an export: the tables, their description and its
// schema. create makes each file; Write closes it.
func Write(b Bundle, create func(name string) (io.WriteCloser, error)) error {
	d := describe(b)
	for _, t := range Tables(b) {
		sum := &counter{hash: sha256.New()}
		err := put(create, t.File(), func(w io.Writer) error {
			sum.to = w
			return t.Write(sum, b)
		})
		if err != nil {
			return err
		}
		d.Resources = append(d.Resources, t.resource(sum))
	}
	err := put(create, DescriptionFile, func(w io.Writer) error {
		enc := json.NewEncoder(w)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		return enc.Encode(d)
	})
	if err != nil {
		return err
	}
	return put(create, SchemaFile, func(w io.Writer) error {
		_, err := w.Write(Schema)
		return err
	})
}

func put(create func(string) (io.WriteCloser, error), name string, write func(io.Writer) error) error {
	f, err := create(name)
	if err != nil {
		return fmt.Errorf("create %s: %w", name, err)
	}
	if err := errors.Join(write(f), f.Close()); err != nil {
		return fmt.Errorf("export %s: %w", name, err)
	}
	return nil
}

// counter counts and sums what it passes on.
type counter struct {
	to   io.Writer
	hash hash.Hash
	n    int64
}

func (c *counter) Write(b []byte) (int, error) {
	n, err := c.to.Write(b)
	c.n += int64(n)
	c.hash.Write(b[:n])
	return n, err
}

func (t Table) resource(sum *counter) Resource {
	return Resource{
		Profile: resourceProfile, Name: t.Name, Path: t.File(), Type: "table", Title: t.Title, Description: t.Description,
		Format: "csv", MediaType: "text/csv", Encoding: "utf-8", Bytes: sum.n, Hash: "sha256:" + hex.EncodeToString(sum.hash.Sum(nil)),
		Schema: TableSchema{Profile: tableProfile, Fields: t.Fields, MissingValues: []string{""}, PrimaryKey: t.Key},
	}
}

func describe(b Bundle) Description {
	r := b.Run
	d := Description{
		Profile: packageProfile, Name: "run-" + string(r.ID), ID: string(r.ID), Description: about,
		Title: fmt.Sprintf("Shielding effectiveness: plan %s on bench %s", r.Plan.Name, r.Bench.Name),
		Run: RunFacts{
			ID: r.ID, Bench: r.Bench.Name, Plan: r.Plan.Name, Capture: r.Plan.Capture.String(), HandRead: r.HandRead,
			Operator: r.Operator, Trigger: r.Trigger, Software: r.Software, Analyzer: identity(r.Analyzer), Source: identity(r.Source),
			Created: r.Created.UTC(), Started: utc(r.Started), Ended: utc(r.Ended), State: r.State.String(), Reason: r.Reason,
			Specimens: append([]sweep.Specimen{}, r.Specimens...), Notes: append([]string{}, b.Evaluation.Notes...),
		},
	}
	if l := r.Line; l != nil {
		d.Run.Requirement = &Requirement{Name: l.Name, Title: l.Title, Standard: l.Standard, Edition: l.Edition, Mark: l.Mark.String(), Note: l.Note}
	}
	return d
}

func identity(id driver.Identity) string {
	if id.Raw != "" {
		return id.Raw
	}
	return id.String()
}

func utc(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	u := t.UTC()
	return &u
}
