module cagebook

go 1.26
