package store

import "database/sql"

// Pools gives the two pools, to ask them for their pragmas.
func (s *Store) Pools() (writer, reader *sql.DB) { return s.w, s.r }
